"""What each track sounds like, as a digest: a file that was copied to another take shows by it."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Add the column; takes analysed before have none until they are analysed again."""
    op.add_column("track", sa.Column("audio_digest", sa.Text))
