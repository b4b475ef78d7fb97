"""An index that finds the takes of a cell, in which a note's neighbours are looked for."""

from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the index; a store that was made between two releases may have it already."""
    op.create_index(
        "ix_take_cell", "take", ["session_id", "instrument", "articulation", "dynamic"], if_not_exists=True
    )
