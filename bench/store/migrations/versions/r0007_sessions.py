"""Sessions of a run, its start and each resume: when, by which version, with what options; whose each chunk is."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add table and column; of a run from before, the sessions are found in its recording."""
    op.create_table(
        "session",
        sa.Column("run", sa.String(36), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("began", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tool_version", sa.Text, nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("recording", sa.String(16), nullable=False),
        sa.Column("options", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("run", "number", name="pk_session"),
        sa.ForeignKeyConstraint(["run"], ["run.id"], name="fk_session_run"),
    )
    op.add_column("exchange", sa.Column("session", sa.Integer(), nullable=True))
