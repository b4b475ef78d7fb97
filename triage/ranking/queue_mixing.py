"""Queue mixing: what a person at the desk hears next, and what is left of a session. Wiring between judge and store.

Most places of the queue go by doubt; some takes come for active learning, some as a random sample, and now and then
one that the person has judged before comes again, unannounced. The random sample estimates how many rejects nobody
has heard yet.
"""

from collections.abc import Sequence

from sqlalchemy import Connection

from triage.judge.active_learning import ALL_BY_DOUBT, Mix, purpose
from triage.judge.unheard_rejects import RejectEstimate, Tail, rejects_unheard
from triage.store.review import next_takes
from triage.store.review_sampling import next_in_random_order, next_to_learn, next_to_repeat, places_used, sample_of
from triage.store.stored import StoredTake

Coming = tuple[
    StoredTake, str | None
]  # a take, and why it comes: None for its doubt, else one of domain.verdict.SHOWN
MIX = Mix()


def coming(db: Connection, session_id: int, by: str, limit: int = 1, mix: Mix = MIX) -> list[Coming]:
    """Return the takes that a person should hear next, in order, each with why it comes."""
    if mix == ALL_BY_DOUBT:
        return [(take, None) for take in next_takes(db, session_id, by, limit)]
    start = places_used(db, session_id)
    wanted = [purpose(start + i, mix) for i in range(limit)]
    others = len([name for name in wanted if name != "doubt"])
    doubted = next_takes(db, session_id, by, limit + others)
    found = {
        "random": next_in_random_order(db, session_id, limit) if "random" in wanted else (),
        "learning": next_to_learn(db, session_id, limit) if "learning" in wanted else (),
        "repeat": next_to_repeat(db, session_id, by) if "repeat" in wanted else (),
    }
    places: list[Coming] = []
    for name in wanted:
        if chosen := _first(found.get(name, ()), places):
            places.append((chosen, name))
        elif chosen := _first(doubted, places):
            places.append((chosen, None))
    return places


def unheard_rejects(db: Connection, session_id: int) -> RejectEstimate | None:
    """Return how many rejects nobody has heard, by the random sample; None before the first such take."""
    found = sample_of(db, session_id)
    return None if found is None or not found.sampled else rejects_unheard(Tail(**vars(found)))


def _first(takes: Sequence[StoredTake], places: Sequence[Coming]) -> StoredTake | None:
    taken = {take.id for take, _ in places}
    return next((take for take in takes if take.id not in taken), None)
