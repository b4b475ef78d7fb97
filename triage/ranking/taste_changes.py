"""What would change in the queue: takes that rise and fall if another model judged, before anything is decided.

The newest sessions are judged from the features kept of them; nothing is saved and no audio is read.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from triage.domain.judgement import Judgement, TakeJudgement
from triage.domain.spot import Spot
from triage.judge.doubt import load_model
from triage.judge.taste import Taste
from triage.judge.tasted_doubt import TastedDoubt
from triage.ranking.model_in_use import Model, base_doubt, base_in_use, load_version
from triage.ranking.scoring import judge
from triage.ranking.session import kept_features
from triage.ranking.tastes import taste_in_use
from triage.store.models import SHIPPED
from triage.store.stored import StoredSession
from triage.store.takes import sessions, take_ids

NEWEST = 3  # sessions that are compared
MOST = 8  # takes of each list
LEAST = 0.02  # of a change of doubt that is worth telling


@dataclass(frozen=True)
class MovedTake:
    """One take whose place would change; places count from 1, the most doubtful first."""

    session_id: int
    session: str
    take_id: int
    take: str
    place: int
    later: int  # its place by the other model
    doubt: float
    later_doubt: float
    why: str  # what stands out by the model that doubts it more
    note: int | None  # to hear
    mic: str | None


@dataclass(frozen=True)
class Changes:
    """What another model would do to the queues of the newest sessions."""

    sessions: tuple[str, ...]
    takes: int
    moved: int  # takes whose doubt would change by more than LEAST
    rises: tuple[MovedTake, ...]
    falls: tuple[MovedTake, ...]


def with_taste(db: Connection, taste: Taste) -> Model:
    """Return the doubt in use with another taste on top; what was set by hand in the one in use stays."""
    locked = {**taste.locked, **taste_in_use(db).locked}
    return TastedDoubt("tried", base_doubt(db, base_in_use(db)), replace(taste, locked=locked))


def version_tried(db: Connection, version: str) -> Model:
    """Return a version, or the shipped doubt."""
    return load_model() if version == SHIPPED else load_version(db, version)


def changes(db: Connection, now: Model, later: Model) -> Changes:
    """Return the takes that rise and fall most between two models, those with the greatest change of doubt first."""
    newest = sorted(sessions(db), key=lambda one: (one.date, one.id), reverse=True)[:NEWEST]
    moved: list[MovedTake] = []
    count, named = 0, []
    for session in newest:
        features = kept_features(db, session.id)
        if features is None:
            continue
        before, after = judge(features, now), judge(features, later)
        named.append(session.name)
        count += len(before.takes)
        moved += _moved(session, take_ids(db, session.id), before, after)
    moved.sort(key=lambda one: -abs(one.later_doubt - one.doubt))
    rises = [one for one in moved if one.later_doubt > one.doubt][:MOST]
    falls = [one for one in moved if one.later_doubt < one.doubt][:MOST]
    return Changes(tuple(named), count, len(moved), tuple(rises), tuple(falls))


def _moved(session: StoredSession, ids: dict[str, int], before: Judgement, after: Judgement) -> list[MovedTake]:
    places = [{one.take: (at, one) for at, one in enumerate(found, 1)} for found in map(_in_order, (before, after))]
    found = []
    for name, (at, one) in places[0].items():
        then, other = places[1][name]
        doubt, later = one.doubt or 0.0, other.doubt or 0.0
        if abs(later - doubt) < LEAST or name not in ids:
            continue
        spot = _spot((after if later > doubt else before).spots, name)
        found.append(
            MovedTake(
                session.id,
                session.name,
                ids[name],
                name,
                at,
                then,
                doubt,
                later,
                spot.why if spot else "",
                spot.note if spot else None,
                spot.mic if spot else None,
            )
        )
    return found


def _in_order(judgement: Judgement) -> list[TakeJudgement]:
    return sorted(judgement.takes, key=lambda one: (one.rank is None, one.rank or 0, one.take))


def _spot(spots: Sequence[Spot], take: str) -> Spot | None:
    own = [one for one in spots if one.take == take]
    return max(own, key=lambda one: one.doubt or 0.0, default=None)
