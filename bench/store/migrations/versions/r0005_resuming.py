"""Where a run's files lay, to compare them as it is resumed, and what was measured once more then."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add columns and table; of every run from before it is not known where its files lay."""
    for file in ("part", "bench", "sequence"):
        op.add_column("run", sa.Column(f"{file}_folder", sa.Text(), nullable=False, server_default=""))
    op.create_table(
        "recheck",
        sa.Column("condition_id", sa.Integer, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("repeat", sa.SmallInteger, nullable=False),
        sa.Column("quantity_id", sa.Integer, nullable=False),
        sa.Column("value", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("condition_id", "at", "repeat", "quantity_id", name="pk_recheck"),
        sa.ForeignKeyConstraint(["condition_id"], ["condition.id"], name="fk_recheck_condition_id"),
        sa.ForeignKeyConstraint(["quantity_id"], ["quantity.id"], name="fk_recheck_quantity_id"),
    )
