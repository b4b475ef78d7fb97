"""Review: which takes a person still has to hear, in which order, and how much that is.

A take is open to a person when it has sound and a rank, nobody's agreed decision settles it, and the person has no
standing verdict on it. So what was heard never comes back unless it changed; what others are unsure of, or
disagree on, is offered to whoever has not heard it yet.

Expected rejects left = sum of the doubts of the open takes: each doubt is the calibrated probability that a producer
would reject the take, and the expected value of a sum is the sum of the expected values, dependent or not.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, case, exists, false, func, not_, or_, select

from triage.store import tables
from triage.store.stored import StoredTake
from triage.store.takes import stored_take

take, verdict = tables.take, tables.verdict


@dataclass(frozen=True)
class Left:
    """What a person has not heard of a session, and how far everybody is."""

    takes: int
    listen_s: float
    expected_rejects: float
    settled: int
    disputed: int
    all: int


def next_takes(
    db: Connection, session_id: int, by: str, limit: int = 1, without: Collection[int] = ()
) -> tuple[StoredTake, ...]:
    """Return the takes that a person should hear next, the most doubtful first; ``without`` are ids left out."""
    query = select(take).where(take.c.session_id == session_id, take.c.settled == false(), _open(by))
    query = query.where(take.c.id.not_in(list(without)))
    return tuple(stored_take(row) for row in db.execute(query.order_by(take.c.rank).limit(limit)))


def left(db: Connection, session_id: int, by: str) -> Left:
    """Return how much of a session a person has not heard."""
    mine = and_(take.c.settled == false(), _open(by))
    columns: list[Any] = [
        count_of(mine).label("takes"),
        sum_of(mine, take.c.listen_s).label("listen_s"),
        sum_of(mine, take.c.doubt).label("expected_rejects"),
        count_of(take.c.settled).label("settled"),
        count_of(take.c.disputed).label("disputed"),
        func.count().label("all"),
    ]
    row = db.execute(select(*columns).select_from(take).where(take.c.session_id == session_id)).one()
    return Left(**row._mapping)


def take_page(
    db: Connection, session_id: int, show: str, after_rank: int, limit: int
) -> tuple[Sequence[StoredTake], dict[int, dict[str, str]]]:
    """Return takes of a session from a rank on, and take id -> person -> their standing verdict on the whole take.

    ``show``: open (nobody's decision settles it), settled, disputed, or all.
    """
    which = {"open": take.c.settled == false(), "settled": take.c.settled, "disputed": take.c.disputed}.get(show)
    query = select(take).where(take.c.session_id == session_id, take.c.rank > after_rank)
    if which is not None:
        query = query.where(which)
    found = [stored_take(row) for row in db.execute(query.order_by(take.c.rank).limit(limit))]
    return found, verdicts_on(db, [one.id for one in found])


def verdicts_on(db: Connection, take_ids: Sequence[int]) -> dict[int, dict[str, str]]:
    """Return take id -> person -> their standing verdict on the whole take."""
    verdicts: dict[int, dict[str, str]] = {}
    given = select(verdict.c.take_id, verdict.c.by, verdict.c.verdict)
    given = given.where(verdict.c.take_id.in_(take_ids), verdict.c.note.is_(None), verdict.c.stands)
    for row in db.execute(given.order_by(verdict.c.id)):
        verdicts.setdefault(row.take_id, {})[row.by] = row.verdict
    return verdicts


def note_verdicts_on(db: Connection, take_ids: Sequence[int]) -> dict[int, dict[tuple[str, str], list[int]]]:
    """Return take id -> (person, verdict) -> the notes that they said it of and that it stands on."""
    found: dict[int, dict[tuple[str, str], list[int]]] = {}
    given = select(verdict.c.take_id, verdict.c.by, verdict.c.verdict, verdict.c.note)
    given = given.where(verdict.c.take_id.in_(take_ids), verdict.c.note.is_not(None), verdict.c.stands)
    for row in db.execute(given.order_by(verdict.c.by, verdict.c.verdict, verdict.c.note)):
        found.setdefault(row.take_id, {}).setdefault((row.by, row.verdict), []).append(row.note)
    return found


def _open(by: str) -> ColumnElement[bool]:
    """Return the condition that a person has still to hear an unsettled take."""
    own = (verdict.c.by == by, verdict.c.note.is_(None), verdict.c.stands)
    has_verdict = exists().where(verdict.c.take_id == take.c.id, *own)
    # Most takes nobody has heard: asking that first saves looking their verdicts up.
    return and_(take.c.analysed, take.c.rank.is_not(None), or_(not_(take.c.heard), ~has_verdict))


def count_of(which: ColumnElement[bool]) -> ColumnElement[int]:
    """Select how many rows fulfil a condition."""
    return func.coalesce(func.sum(case((which, 1), else_=0)), 0)


def sum_of(which: ColumnElement[bool], what: ColumnElement[float]) -> ColumnElement[float]:
    """Select the sum of a column over the rows that fulfil a condition."""
    return func.coalesce(func.sum(case((which, what), else_=0.0)), 0.0)
