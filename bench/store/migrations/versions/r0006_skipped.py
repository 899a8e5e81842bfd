"""Why a condition was left out, its instruments having failed in every attempt."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the column; no condition of a run from before was left out."""
    op.add_column("condition", sa.Column("skipped", sa.Text(), nullable=False, server_default=""))
