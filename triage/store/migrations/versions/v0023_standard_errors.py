"""A column for the standard errors of a note's measurements."""

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"


def upgrade() -> None:
    """Unknown for the notes that are there, until their takes are taken in again."""
    op.add_column("note", sa.Column("errors", sa.JSON))
