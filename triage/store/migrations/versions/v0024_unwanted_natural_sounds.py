"""Columns for whether a take may hold natural sounds of playing, as its row of the sheet and as it holds."""

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"


def upgrade() -> None:
    """Every take that is there may hold the usual ones, as before."""
    op.add_column("take", sa.Column("without_natural_sounds", sa.Boolean, nullable=False, server_default=sa.false()))
    op.add_column("sheet_row", sa.Column("natural_sounds", sa.Text, nullable=False, server_default=""))
