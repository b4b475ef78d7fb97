"""Columns for what a hit sounds like and where else it may come from; a table of people's corrections of hits."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    """Unknown for the hits that are there, until their takes are taken in again; no corrections yet."""
    op.add_column("hit", sa.Column("second_mic", sa.Text))
    op.add_column("hit", sa.Column("natural", sa.Text))
    op.add_column("hit", sa.Column("usual", sa.Boolean, nullable=False, server_default=sa.false()))
    op.add_column("hit", sa.Column("usual_db", sa.Float))
    op.add_column("hit", sa.Column("hz", sa.Float))
    op.add_column("hit", sa.Column("sound", sa.JSON))
    op.add_column("hit", sa.Column("found_kind", sa.Text))
    op.add_column("hit", sa.Column("found_start_s", sa.Float))
    op.add_column("hit", sa.Column("found_end_s", sa.Float))
    op.create_table(
        "hit_correction",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("session", sa.Text, nullable=False),
        sa.Column("take", sa.Text, nullable=False),
        sa.Column("mic", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("start_s", sa.Float, nullable=False),
        sa.Column("end_s", sa.Float, nullable=False),
        sa.Column("sound", sa.JSON, nullable=False),
        sa.Column("right_kind", sa.Text),
        sa.Column("right_start_s", sa.Float, nullable=False),
        sa.Column("right_end_s", sa.Float, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_hit_correction"),
    )
