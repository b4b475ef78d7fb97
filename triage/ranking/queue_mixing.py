"""Queue mixing: what a person at the desk hears next, and what is left of a session. Wiring between judge and store.

Most places of the queue go by doubt; some takes come for active learning, some as a random sample, and now and then
one that the person has judged before comes again, unannounced. What is on one person's screen is dealt to nobody
else, but for a chosen share of takes, which two people hear on purpose. The random sample estimates how many rejects
nobody has heard yet.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import Connection

from triage.judge.active_learning import ALL_BY_DOUBT, Mix, purpose
from triage.judge.unheard_rejects import RejectEstimate, Tail, may_stop, rejects_unheard
from triage.store.leases import Lease, give_back, lease_takes, leases
from triage.store.review import next_takes
from triage.store.review_sampling import (
    next_for_two,
    next_in_random_order,
    next_to_learn,
    next_to_repeat,
    places_used,
    sample_of,
)
from triage.store.stored import StoredTake

Coming = tuple[
    StoredTake, str | None
]  # a take, and why it comes: None for its doubt, else one of domain.verdict.SHOWN
__all__ = ["ALL_BY_DOUBT", "Mix", "RejectEstimate", "may_stop"]  # beside what is below
MIX = Mix()
TRIES = 5  # to deal, where others ask at the same moment


@dataclass(frozen=True)
class Reviewer:
    """A person at the queue of a session, and how it is mixed for them."""

    session_id: int
    by: str
    mix: Mix = MIX
    share_for_two: float = 0.0


class Dealt(NamedTuple):
    """The takes leased to a person, in order, and the leases of everybody else."""

    takes: list[Coming]
    others: tuple[Lease, ...]


def coming(
    db: Connection,
    session_id: int,
    by: str,
    limit: int = 1,
    mix: Mix = MIX,
    share_for_two: float = 0.0,
    without: Collection[int] = (),
) -> list[Coming]:
    """Return the takes that a person should hear next, in order, each with why it comes.

    ``without`` are ids of takes left out; ``share_for_two`` of the takes are heard by a second person as well.
    """
    places = _mixed(db, session_id, by, limit, mix, without)
    if chosen := _first(next_for_two(db, session_id, by, share_for_two, without), places):
        places.insert(1, (chosen, "second"))  # next after the one on the screen
    return places[:limit]


def deal(
    db: Connection, who: Reviewer, limit: int, at: datetime, lease_s: float, showing: int | None = None
) -> Dealt:
    """Lease the next takes to a person and return them; their other leases in the session end.

    ``showing`` is the id of the take on their screen: it stays theirs, unless somebody else has it. A lease that was
    not renewed for ``lease_s`` has ended.
    """
    since, mine = at - timedelta(seconds=lease_s), set[int]()
    left_out = {one.take_id for one in leases(db, who.session_id, since) if one.by != who.by}
    kept = {showing} - left_out if showing else set()
    for _ in range(TRIES):
        places = coming(db, who.session_id, who.by, limit, who.mix, who.share_for_two, left_out)
        wanted = {take.id for take, _ in places} | kept
        mine = lease_takes(db, who.session_id, who.by, wanted, at, since)
        left_out |= wanted - mine  # somebody was quicker
        if mine == wanted:
            break
    places = [(take, why) for take, why in places if take.id in mine]
    give_back(db, who.session_id, who.by, mine)
    return Dealt(places, tuple(one for one in leases(db, who.session_id, since) if one.by != who.by))


def unheard_rejects(db: Connection, session_id: int) -> RejectEstimate | None:
    """Return how many rejects nobody has heard, by the random sample; None before the first such take."""
    found = sample_of(db, session_id)
    return None if found is None or not found.sampled else rejects_unheard(Tail(**vars(found)))


def _mixed(db: Connection, session_id: int, by: str, limit: int, mix: Mix, without: Collection[int]) -> list[Coming]:
    if mix == ALL_BY_DOUBT:
        return [(take, None) for take in next_takes(db, session_id, by, limit, without)]
    start = places_used(db, session_id)
    wanted = [purpose(start + i, mix) for i in range(limit)]
    others = len([name for name in wanted if name != "doubt"])
    doubted = next_takes(db, session_id, by, limit + others, without)
    found = {
        "random": next_in_random_order(db, session_id, limit, without) if "random" in wanted else (),
        "learning": next_to_learn(db, session_id, limit, without) if "learning" in wanted else (),
        "repeat": next_to_repeat(db, session_id, by) if "repeat" in wanted else (),
    }
    places: list[Coming] = []
    for name in wanted:
        if chosen := _first(found.get(name, ()), places):
            places.append((chosen, name))
        elif chosen := _first(doubted, places):
            places.append((chosen, None))
    return places


def _first(takes: Sequence[StoredTake], places: Sequence[Coming]) -> StoredTake | None:
    taken = {take.id for take, _ in places}
    return next((take for take in takes if take.id not in taken), None)
