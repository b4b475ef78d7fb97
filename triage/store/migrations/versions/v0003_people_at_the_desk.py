"""People and their log-ins, comments and undone verdicts, pictures of takes, counters of change."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

WORDS, REAL, TIME = sa.Text, sa.Float, sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add what the desk needs."""
    _people()
    _verdicts()
    _takes()
    _changes()


def _people() -> None:
    op.create_table(
        "person",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", WORDS, nullable=False),
        sa.Column("folded", WORDS, nullable=False),
        sa.Column("role", WORDS, nullable=False),
        sa.Column("password", WORDS),
        sa.Column("at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sa.CheckConstraint("role IN ('editor', 'producer', 'engineer', 'lead')", name=op.f("ck_person_role")),
    )
    op.create_index("ix_person_folded", "person", ["folded"], unique=True)
    op.create_table(
        "login",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("person_id", sa.Integer, nullable=False),
        sa.Column("token", WORDS, nullable=False),
        sa.Column("until", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_login"),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_login_person", ondelete="CASCADE"),
    )
    op.create_index("ix_login_token", "login", ["token"], unique=True)
    op.create_index("ix_login_person_id", "login", ["person_id"])
    op.create_table(
        "preference",
        sa.Column("person_id", sa.Integer, nullable=False),
        sa.Column("name", WORDS, nullable=False),
        sa.Column("value", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("person_id", "name", name="pk_preference"),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_preference_person", ondelete="CASCADE"),
    )
    op.create_table(
        "secret",
        sa.Column("name", WORDS, nullable=False),
        sa.Column("value", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_secret"),
    )


def _verdicts() -> None:
    for name in ("comment", "key", "sound", "meant"):
        op.add_column("verdict", sa.Column(name, WORDS))
    op.create_index("ix_verdict_key", "verdict", ["key"], unique=True)
    op.create_table(
        "retraction",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("verdict_id", sa.Integer, nullable=False),
        sa.Column("by", WORDS, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("key", WORDS),
        sa.PrimaryKeyConstraint("id", name="pk_retraction"),
        sa.ForeignKeyConstraint(["verdict_id"], ["verdict.id"], name="fk_retraction_verdict", ondelete="RESTRICT"),
    )
    op.create_index("ix_retraction_verdict_id", "retraction", ["verdict_id"], unique=True)
    op.create_index("ix_retraction_key", "retraction", ["key"])


def _takes() -> None:
    op.add_column("take", sa.Column("sound", WORDS))
    op.add_column("take", sa.Column("meant", WORDS))
    for name in ("heard", "settled", "disputed"):
        op.add_column("take", sa.Column(name, sa.Boolean, nullable=False, server_default=sa.false()))
    # What people have said so far, counted as the desk does from here on.
    last = "(SELECT max(v.id) FROM verdict v WHERE v.take_id = take.id AND v.note IS NULL)"
    decided = f"EXISTS (SELECT 1 FROM verdict w WHERE w.id = {last} AND w.verdict <> 'unsure')"
    op.execute(f"UPDATE take SET heard = true WHERE {last} IS NOT NULL")
    op.execute(f"UPDATE take SET settled = true WHERE {decided}")
    columns = ["session_id", "settled", "rank", "heard", "disputed", "listened", "doubt", "listen_s"]
    op.create_index("ix_take_left", "take", columns)
    op.create_table(
        "preview",
        sa.Column("take_id", sa.Integer, nullable=False),
        sa.Column("mic", WORDS, nullable=False),
        sa.Column("wave", sa.LargeBinary, nullable=False),
        sa.Column("wave_hop_s", REAL, nullable=False),
        sa.Column("picture", sa.LargeBinary, nullable=False),
        sa.Column("picture_hop_s", REAL, nullable=False),
        sa.Column("low_hz", REAL, nullable=False),
        sa.Column("high_hz", REAL, nullable=False),
        sa.Column("courses", sa.LargeBinary),
        sa.PrimaryKeyConstraint("take_id", "mic", name="pk_preview"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_preview_take", ondelete="CASCADE"),
    )


def _changes() -> None:
    op.create_table(
        "change",
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("what", WORDS, nullable=False),
        sa.Column("number", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("session_id", "what", name="pk_change"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_change_session", ondelete="CASCADE"),
    )
    for what in ("takes", "verdicts"):
        op.execute(f"INSERT INTO change (session_id, what, number) SELECT id, '{what}', 0 FROM session")
