"""What takes long to make of a whole session, kept, so that a page reads one row."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the sheets that are kept."""
    op.create_table(
        "kept_sheet",
        sa.Column("session_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("what", sa.Text, primary_key=True),
        sa.Column("takes", sa.BigInteger, nullable=False),
        sa.Column("verdicts", sa.BigInteger, nullable=False),
        sa.Column("form", sa.Text, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cost_s", sa.Float, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
