"""What stood in the unit's place: the unit, or a through."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the column; every run from before had a unit."""
    op.add_column("run", sa.Column("kind", sa.String(16), nullable=False, server_default="unit"))
