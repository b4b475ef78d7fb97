"""Groups of noise hits, marks of the harmless ones, and backgrounds band by band."""

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add what the noise sheet needs."""
