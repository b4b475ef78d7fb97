"""People and their accounts, comments and undone verdicts, pictures of takes."""

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add what the desk needs."""
