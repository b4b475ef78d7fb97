"""Which verdicts stand, kept with each, so that every list counts the same ones."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

STANDING = """
UPDATE verdict SET stands = true WHERE id IN (
    SELECT max(v.id) FROM verdict v JOIN take t ON t.id = v.take_id
    WHERE NOT v.blind
    AND NOT EXISTS (SELECT 1 FROM retraction r WHERE r.verdict_id = v.id)
    AND (v.sound IS NULL OR v.sound = '' OR t.sound IS NULL OR t.sound = '' OR v.sound = t.sound)
    AND (v.meant IS NULL OR v.meant = '' OR t.meant IS NULL OR t.meant = '' OR v.meant = t.meant)
    GROUP BY v.take_id, v.note, v."by"
)
"""


def upgrade() -> None:
    """Add the column and fill it: the last verdict of each person on each take and note, if neither has changed."""
    op.add_column("verdict", sa.Column("stands", sa.Boolean, nullable=False, server_default=sa.false()))
    op.execute(STANDING)
