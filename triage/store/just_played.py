"""Just played: the last takes, with what a player who may still repeat one wants to know of them."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select

from triage.domain.spot import Spot
from triage.store import tables
from triage.store.spots import spots_of
from triage.store.stored import StoredTake
from triage.store.takes import stored_take

FEW = 3  # other takes of the same cohort: with fewer the judge knows little of what is usual
take, arrival = tables.take, tables.arrival


@dataclass(frozen=True)
class JustPlayed:
    """One take, its spots (the most doubtful first), its missing microphones, and other takes to judge it by."""

    take: StoredTake
    spots: tuple[Spot, ...]
    missing: tuple[str, ...]
    others: int  # of the same instrument, articulation and dynamic; counted up to FEW


def just_played(
    db: Connection, session_id: int, limit: int = 6, names: Sequence[str] | None = None
) -> tuple[JustPlayed, ...]:
    """Return the takes of a session that were recorded last, the last one first; or those of these names."""
    query = select(take).where(take.c.session_id == session_id, take.c.recorded_at.is_not(None))
    if names is not None:
        query = select(take).where(take.c.session_id == session_id, take.c.name.in_(names))
        limit = len(names)
    rows = db.execute(query.order_by(take.c.recorded_at.desc(), take.c.name.desc()).limit(limit))
    found = [stored_take(row) for row in rows]
    spots = spots_of(db, [one.id for one in found])
    missing = _missing(db, session_id, [one.name for one in found])
    return tuple(
        JustPlayed(one, tuple(spots.get(one.name, ())), tuple(missing.get(one.name, ())), _others(db, one))
        for one in found
    )


def unread_takes(db: Connection, session_id: int, limit: int = 6) -> tuple[StoredTake, ...]:
    """Return takes whose files gave neither sound nor a time of recording; the newest first."""
    query = select(take).where(take.c.session_id == session_id, take.c.recorded_at.is_(None))
    return tuple(stored_take(row) for row in db.execute(query.order_by(take.c.id.desc()).limit(limit)))


def _missing(db: Connection, session_id: int, names: Sequence[str]) -> dict[str, list[str]]:
    mine = (arrival.c.session_id == session_id, arrival.c.kind == "missing", arrival.c.take.in_(names))
    found: dict[str, list[str]] = {}
    for row in db.execute(select(arrival.c.take, arrival.c.mic).where(*mine).order_by(arrival.c.id)):
        found.setdefault(row.take, []).append(row.mic)
    return found


def _others(db: Connection, one: StoredTake) -> int:
    """Return how many other takes of the cohort have been analysed, at most FEW: counting all would read all."""
    cell = [take.c[name] == getattr(one, name) for name in ("instrument", "articulation", "dynamic")]
    mine = (take.c.session_id == one.session_id, take.c.id != one.id, take.c.analysed, *cell)
    return len(db.execute(select(take.c.id).where(*mine).limit(FEW)).all())
