"""An index that finds the takes that were recorded last."""

from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Add the index."""
    op.create_index("ix_take_session_id_recorded_at", "take", ["session_id", "recorded_at"])
