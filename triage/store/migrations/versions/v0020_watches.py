"""A table of who watches a session's folder, so that a second watch on it is told so."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    """Empty at first."""
    op.create_table(
        "watching",
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("host", sa.Text, nullable=False),
        sa.Column("process", sa.BigInteger, nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("session_id", name="pk_watching"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_watching_session", ondelete="CASCADE"),
    )
