"""What to hear next for the model's sake, why a take was shown, and the evidence kept for the next model."""

from hashlib import blake2b

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

LEFT = ["session_id", "settled", "rank", "heard", "disputed", "listened", "doubt", "listen_s"]


def upgrade() -> None:
    """Add the lots, the order of teaching, and what a new model weighs again."""
    op.add_column("take", sa.Column("lot", sa.Float))
    op.add_column("take", sa.Column("teach", sa.BigInteger))
    for name in ("rejected", "drawn"):
        op.add_column("take", sa.Column(name, sa.Boolean, nullable=False, server_default=sa.false()))
    op.add_column("verdict", sa.Column("shown", sa.Text))
    op.create_table(
        "evidence",
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("form", sa.Text, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("session_id", name="pk_evidence"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_evidence_session", ondelete="CASCADE"),
    )
    op.drop_index("ix_take_left", "take")
    op.create_index("ix_take_left", "take", [*LEFT, "lot", "rejected", "drawn"])
    op.create_index("ix_take_lot", "take", ["session_id", "heard", "lot", "drawn"])
    op.create_index("ix_take_teach", "take", ["session_id", "teach"])
    op.create_index("ix_verdict_by_id", "verdict", ["by", "id"])
    here, there = sa.text("blind = 1"), sa.text("blind")
    op.create_index("ix_verdict_blind", "verdict", ["take_id"], sqlite_where=here, postgresql_where=there)
    _fill()


def _lot(of: str) -> float:
    return int.from_bytes(blake2b(of.encode(errors="backslashreplace"), digest_size=8).digest()) / 2**64


def _fill() -> None:
    db = op.get_bind()
    rows = [
        {"of": row.id, "lot": _lot(f"{row.session_id}\n{row.name}")}
        for row in db.execute(sa.text("SELECT id, session_id, name FROM take"))
    ]
    if rows:
        db.execute(sa.text("UPDATE take SET lot = :lot WHERE id = :of"), rows)
    stands = "NOT EXISTS (SELECT 1 FROM retraction r WHERE r.verdict_id = v.id)"
    last = f"SELECT max(v.id) FROM verdict v WHERE v.take_id = take.id AND v.note IS NULL AND {stands}"
    last += " AND v.verdict <> 'unsure'"
    op.execute(
        f"UPDATE take SET rejected = true WHERE settled AND (EXISTS (SELECT 1 FROM verdict w WHERE w.id = ({last}) "
        f"AND w.verdict = 'reject') OR EXISTS (SELECT 1 FROM verdict v WHERE v.take_id = take.id "
        f"AND v.note IS NOT NULL AND v.verdict = 'reject' AND {stands}))"
    )
