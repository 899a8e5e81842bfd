"""Derivations of a run with other inputs than its own: when, by which version, with what, and what came out."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Add the table; what was derived before was not kept."""
    op.create_table(
        "derivation",
        sa.Column("run", sa.String(36), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tool_version", sa.Text, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("inputs", sa.JSON, nullable=False),
        sa.Column("decision", sa.String(32), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("run", "number", name="pk_derivation"),
        sa.ForeignKeyConstraint(["run"], ["run.id"], name="fk_derivation_run"),
    )
