"""Review: which takes a person still has to hear, in which order, and how much that is.

A take is open to a person when it has sound and a rank, nobody's agreed decision settles it, and the person has not
spoken of it as it sounds now. So what was heard never comes back unless it changed; what others are unsure of, or
disagree on, is offered to whoever has not heard it yet.

Expected rejects left = sum of the doubts of the open takes: each doubt is the calibrated probability that a producer
would reject the take, and the expected value of a sum is the sum of the expected values, dependent or not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, case, exists, false, func, not_, or_, select

from triage.store import tables
from triage.store.recording import stored_take
from triage.store.stored import StoredTake
from triage.store.verdicts import standing

take, verdict, session, arrival = tables.take, tables.verdict, tables.session, tables.arrival


@dataclass(frozen=True)
class Left:
    """What a person has not heard of a session, and how far everybody is."""

    takes: int
    listen_s: float
    expected_rejects: float
    settled: int
    disputed: int
    all: int


@dataclass(frozen=True)
class Progress:
    """One session with how far it is, for the list of sessions."""

    id: int
    name: str
    date: Any
    model: str | None
    taken_in_at: Any
    takes: int
    settled: int
    disputed: int
    left_s: float
    expected_rejects: float
    amiss: dict[str, int]


def next_takes(db: Connection, session_id: int, by: str, limit: int = 1) -> tuple[StoredTake, ...]:
    """Return the takes that a person should hear next, the most doubtful first."""
    query = select(take).where(take.c.session_id == session_id, take.c.settled == false(), _open(by))
    return tuple(stored_take(row) for row in db.execute(query.order_by(take.c.rank).limit(limit)))


def left(db: Connection, session_id: int, by: str) -> Left:
    """Return how much of a session a person has not heard."""
    mine = and_(take.c.settled == false(), _open(by))
    columns: list[Any] = [
        _count(mine).label("takes"), _sum(mine, take.c.listen_s).label("listen_s"),
        _sum(mine, take.c.doubt).label("expected_rejects"), _count(take.c.settled).label("settled"),
        _count(take.c.disputed).label("disputed"), func.count().label("all"),
    ]  # fmt: skip
    row = db.execute(select(*columns).select_from(take).where(take.c.session_id == session_id)).one()
    return Left(**row._mapping)


def progress(db: Connection) -> tuple[Progress, ...]:
    """Return every session with how far it is, the one taken in last first."""
    unheard = and_(take.c.settled == false(), take.c.listened)
    columns: list[Any] = [
        take.c.session_id, func.count().label("takes"), _count(take.c.settled).label("settled"),
        _count(take.c.disputed).label("disputed"), _sum(unheard, take.c.listen_s).label("left_s"),
        _sum(unheard, take.c.doubt).label("expected_rejects"),
    ]  # fmt: skip
    counted = {row.session_id: row for row in db.execute(select(*columns).group_by(take.c.session_id))}
    amiss: dict[int, dict[str, int]] = {}
    kinds = select(arrival.c.session_id, arrival.c.kind, func.count().label("n"))
    for row in db.execute(kinds.group_by(arrival.c.session_id, arrival.c.kind).order_by(arrival.c.kind)):
        amiss.setdefault(row.session_id, {})[row.kind] = row.n
    about = select(*(session.c[name] for name in ("id", "name", "date", "model", "taken_in_at")))
    rows = db.execute(about.order_by(session.c.taken_in_at.desc(), session.c.id.desc()))
    return tuple(_progress(row, counted.get(row.id), amiss.get(row.id, {})) for row in rows)


def take_page(
    db: Connection, session_id: int, show: str, after_rank: int, limit: int
) -> tuple[Sequence[StoredTake], dict[int, dict[str, str]]]:
    """Return takes of a session from a rank on, and take id -> person -> their last word on the whole take.

    ``show``: open (nobody's decision settles it), settled, disputed, or all.
    """
    which = {
        "open": take.c.settled == false(), "settled": take.c.settled, "disputed": take.c.disputed,
    }.get(show)  # fmt: skip
    query = select(take).where(take.c.session_id == session_id, take.c.rank > after_rank)
    if which is not None:
        query = query.where(which)
    found = [stored_take(row) for row in db.execute(query.order_by(take.c.rank).limit(limit))]
    words: dict[int, dict[str, str]] = {}
    said = select(verdict.c.take_id, verdict.c.by, verdict.c.verdict)
    said = said.join(take, take.c.id == verdict.c.take_id).where(verdict.c.take_id.in_([one.id for one in found]))
    for row in db.execute(said.where(verdict.c.note.is_(None), standing(), _fresh()).order_by(verdict.c.id)):
        words.setdefault(row.take_id, {})[row.by] = row.verdict
    return found, words


def _open(by: str) -> ColumnElement[bool]:
    """Return the condition that a person has still to hear an unsettled take."""
    mine = (verdict.c.take_id == take.c.id, verdict.c.by == by, verdict.c.note.is_(None))
    spoke = exists().where(*mine, standing(), _fresh())
    # Most takes nobody has heard: asking that first saves looking their verdicts up.
    return and_(take.c.listened, take.c.rank.is_not(None), or_(not_(take.c.heard), ~spoke))


def _fresh() -> ColumnElement[bool]:
    """Return the condition that a verdict speaks of the take as it sounds and is meant now."""
    pairs = ((verdict.c.sound, take.c.sound), (verdict.c.meant, take.c.meant))
    return and_(*(or_(before.is_(None), now.is_(None), before == now) for before, now in pairs))


def _count(which: ColumnElement[bool]) -> ColumnElement[int]:
    return func.coalesce(func.sum(case((which, 1), else_=0)), 0)


def _sum(which: ColumnElement[bool], what: ColumnElement[float]) -> ColumnElement[float]:
    return func.coalesce(func.sum(case((which, what), else_=0.0)), 0.0)


def _progress(about: Row[Any], counted: Row[Any] | None, amiss: dict[str, int]) -> Progress:
    names = ("takes", "settled", "disputed", "left_s", "expected_rejects")
    numbers: dict[str, Any] = {name: getattr(counted, name, 0) for name in names}
    return Progress(**about._mapping, **numbers, amiss=amiss)
