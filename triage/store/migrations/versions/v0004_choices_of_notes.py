"""What people chose to keep of a cell, and when a take was recorded."""

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add what pick-ups, best sets and consistency need."""
