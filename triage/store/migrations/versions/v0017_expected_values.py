"""A table of what the judge expected of every note, filled at a session's next ranking."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Empty at first; pages draw no band until a session is ranked again."""
    op.create_table(
        "expectation",
        sa.Column("take_id", sa.Integer, nullable=False),
        sa.Column("notes", sa.JSON, nullable=False),
        sa.Column("names", sa.JSON, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("take_id", name="pk_expectation"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_expectation_take", ondelete="CASCADE"),
    )
