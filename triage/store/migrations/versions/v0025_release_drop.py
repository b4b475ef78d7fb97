"""A column for how steeply a note falls where it ends."""

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"


def upgrade() -> None:
    """Unknown for the notes that are there, until their takes are taken in again."""
    op.add_column("note", sa.Column("release_drop_db", sa.Float))
