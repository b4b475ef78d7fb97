"""Digital clicks as a kind of their own: clicks without a level were steps in the samples, not sounds of the room."""

from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Rename the hits; spots follow when their session is ranked again."""
    op.execute("UPDATE hit SET kind = 'digital-click' WHERE kind = 'click' AND level_dbfs IS NULL")
