"""A column for how far a note's pitch moves at its end."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Unknown for the notes that are there, until their takes are taken in again."""
    op.add_column("note", sa.Column("end_cents", sa.Float))
