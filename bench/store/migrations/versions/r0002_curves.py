"""Curves against frequency, such as S-parameters, beside the readings of a condition."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the table; runs from before have no curves."""
    op.create_table(
        "curve",
        sa.Column("condition_id", sa.Integer, nullable=False),
        sa.Column("repeat", sa.SmallInteger, nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("x", sa.LargeBinary, nullable=False),
        sa.Column("y", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("condition_id", "repeat", "name", name="pk_curve"),
        sa.ForeignKeyConstraint(["condition_id"], ["condition.id"], name="fk_curve_condition_id"),
    )
