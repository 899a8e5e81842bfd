"""Names of hazards, and who acknowledged which before power-up."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add column and table; hazards from before have no name, and nobody was asked about them."""
    op.add_column("hazard", sa.Column("name", sa.Text, nullable=False, server_default=""))
    op.create_table(
        "acknowledgement",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("run", sa.String(36), nullable=False),
        sa.Column("hazard", sa.Text, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_acknowledgement"),
        sa.ForeignKeyConstraint(["run"], ["run.id"], name="fk_acknowledgement_run"),
    )
    op.create_index("ix_acknowledgement_run", "acknowledgement", ["run"])
