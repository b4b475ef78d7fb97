"""The features that a session was judged by, in another form; they are built anew at its next ranking."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Replace the table: what it held can be made again, and is not read in its old form."""
    op.drop_table("evidence")
    op.create_table(
        "session_features",
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("session_id", name="pk_session_features"),
        sa.ForeignKeyConstraint(
            ["session_id"], ["session.id"], name="fk_session_features_session", ondelete="CASCADE"
        ),
    )
