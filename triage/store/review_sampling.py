"""Takes that come for another reason than their doubt, and what a random sample shows of the unheard ones.

Every take has a random number from 0 to 1 of its own, fixed by its name. Takes heard in the order of these numbers
are a random sample; ``store/review.py`` gives the order by doubt.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, case, exists, false, func, not_, or_, select

from triage.store import tables
from triage.store.standing import was_taken_back
from triage.store.stored import StoredTake
from triage.store.takes import stored_take

take, verdict = tables.take, tables.verdict
FORGOTTEN, WITHIN = 30, 200  # a take comes back to the same person so many verdicts later, of the last so many before


@dataclass(frozen=True)
class Sampled:
    """The takes from the first unheard one on, those of them that nobody heard, and the random sample of them.

    ``doubt`` and ``sampled_doubt`` are sums; a take that somebody is unsure of, or two differ on, is not known to be
    good and counts among the ``rejected``.
    """

    takes: int
    doubt: float
    unheard: int
    rejected: int
    sampled: int
    sampled_doubt: float
    sampled_rejected: int


def next_in_random_order(
    db: Connection, session_id: int, limit: int, without: Collection[int] = ()
) -> tuple[StoredTake, ...]:
    """Return the unheard takes that come next in random order; ``without`` are ids left out."""
    which = and_(take.c.session_id == session_id, _unheard(), take.c.id.not_in(list(without)))
    return _first(db, which, take.c.random_order, limit)


def next_to_learn(
    db: Connection, session_id: int, limit: int, without: Collection[int] = ()
) -> tuple[StoredTake, ...]:
    """Return the most informative unheard takes for the model, as the last ranking found."""
    which = and_(take.c.session_id == session_id, take.c.learning_rank.is_not(None), _unheard())
    which = and_(which, take.c.id.not_in(list(without)))
    return _first(db, which, take.c.learning_rank, limit)


def next_to_repeat(db: Connection, session_id: int, by: str) -> tuple[StoredTake, ...]:
    """Return a take that a person decided on some time ago and has not had again, if there is one."""
    own = (verdict.c.by == by, verdict.c.note.is_(None))
    given = select(verdict.c.take_id, verdict.c.verdict).join(take, take.c.id == verdict.c.take_id)
    given = given.where(take.c.session_id == session_id, *own, verdict.c.stands)
    recent = given.order_by(verdict.c.id.desc()).offset(FORGOTTEN).limit(WITHIN).subquery()
    again = exists().where(verdict.c.take_id == take.c.id, *own, verdict.c.blind, ~was_taken_back())
    decided = select(recent.c.take_id).where(recent.c.verdict != "unsure")
    return _first(db, and_(take.c.id.in_(decided), take.c.analysed, take.c.settled, ~again), take.c.random_order, 1)


def next_for_two(
    db: Connection, session_id: int, by: str, share: float, without: Collection[int] = ()
) -> tuple[StoredTake, ...]:
    """Return a take that one other person has settled and that this one is to hear as well, if there is one.

    It is of the share of the session's takes with the highest random numbers: the random sample begins at the lowest.
    """
    if share <= 0:
        return ()
    whole = (verdict.c.take_id == take.c.id, verdict.c.note.is_(None), verdict.c.stands)
    people = select(func.count()).where(*whole).scalar_subquery()
    chosen = and_(take.c.session_id == session_id, take.c.heard, take.c.random_order >= 1 - share)
    mine = exists().where(*whole, verdict.c.by == by)
    which = and_(chosen, take.c.settled, take.c.analysed, ~mine, people == 1, take.c.id.not_in(list(without)))
    return _first(db, which, take.c.random_order, 1)


def reviewed_takes(db: Connection, session_id: int) -> frozenset[str]:
    """Return the names of the takes with a standing verdict on the whole take."""
    return frozenset(db.scalars(select(take.c.name).where(take.c.session_id == session_id, take.c.heard)))


def has_reviewed(db: Connection, take_id: int, by: str) -> bool:
    """Tell whether a person has a standing verdict on a take."""
    own = (verdict.c.by == by, verdict.c.note.is_(None), verdict.c.stands)
    return bool(db.scalar(select(exists().where(verdict.c.take_id == take_id, *own))))


def places_used(db: Connection, session_id: int) -> int:
    """Return how many places of the session's queue were heard: takes, and takes heard again unannounced."""
    heard = select(func.count()).select_from(take).where(take.c.session_id == session_id, take.c.heard)
    again = select(func.count()).select_from(verdict).join(take, take.c.id == verdict.c.take_id)
    again = again.where(take.c.session_id == session_id, verdict.c.blind, ~was_taken_back())
    return (db.scalar(heard) or 0) + (db.scalar(again) or 0)


def sample_of(db: Connection, session_id: int) -> Sampled | None:
    """Return the sums of the random sample; None before a first take was sampled, or where none is unheard.

    The sample is every take up to the last sampled one in random order, short of the first that nobody has heard:
    which takes are in it depends on that order alone, so those that were heard for another reason count as well.
    """
    here, order = take.c.session_id == session_id, take.c.random_order
    last = db.scalar(select(func.max(order)).where(here, take.c.heard, take.c.sampled))
    rank = db.scalar(select(func.min(take.c.rank)).where(here, _unheard()))
    if last is None or rank is None:
        return None
    first_unheard = db.scalar(select(func.min(order)).where(here, _unheard()))
    sampled = and_(take.c.heard, order <= last, order < first_unheard)
    bad = and_(take.c.heard, or_(take.c.rejected, not_(take.c.settled)))
    doubt = func.coalesce(take.c.doubt, 0.0)
    columns: list[Any] = [
        func.count().label("takes"),
        func.coalesce(func.sum(doubt), 0.0).label("doubt"),
        _count(_unheard()).label("unheard"),
        _count(bad).label("rejected"),
        _count(sampled).label("sampled"),
        func.coalesce(func.sum(case((sampled, doubt), else_=0.0)), 0.0).label("sampled_doubt"),
        _count(and_(sampled, bad)).label("sampled_rejected"),
    ]
    tail = (here, take.c.analysed, take.c.rank >= rank)
    return Sampled(**db.execute(select(*columns).select_from(take).where(*tail)).one()._mapping)


def _unheard() -> ColumnElement[bool]:
    return and_(take.c.heard == false(), take.c.settled == false(), take.c.analysed, take.c.rank.is_not(None))


def _first(db: Connection, which: ColumnElement[bool], order: Any, limit: int) -> tuple[StoredTake, ...]:
    query = select(take).where(which).order_by(order, take.c.id).limit(limit)
    return tuple(stored_take(row) for row in db.execute(query))


def _count(which: ColumnElement[bool]) -> ColumnElement[int]:
    return func.coalesce(func.sum(case((which, 1), else_=0)), 0)
