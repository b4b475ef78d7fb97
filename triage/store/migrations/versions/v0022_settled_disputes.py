"""A column for verdicts that settle a dispute."""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"


def upgrade() -> None:
    """No verdict so far was given to settle anything."""
    op.add_column("verdict", sa.Column("settles", sa.Boolean, nullable=False, server_default=sa.false()))
