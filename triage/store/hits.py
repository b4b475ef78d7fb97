"""Hits: noise events, their groups, and background levels, by session or by take.

Hits whose group somebody called harmless, and natural sounds of playing that are like a player's others, are left out
unless asked for.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Column, Connection, Row, and_, bindparam, false, func, select, true, update

from triage.domain.hit import Hit
from triage.domain.take import NoiseFloor, Take
from triage.store import tables

take, hit, floor = tables.take, tables.hit, tables.floor
# What a ranking says of a hit: its group, whether it is a fault, and what corrections make of it.
SETTLED = (
    *("group", "harmless", "usual", "usual_db"),
    *("kind", "start_s", "end_s", "found_kind", "found_start_s", "found_end_s"),
)

_OF_HIT = (take.c.name.label("take"), *(column for column in hit.c if column.name not in ("id", "take_id")))


def hits(
    db: Connection,
    session_id: int,
    take_name: str | None = None,
    limit: int | None = None,
    offset: int = 0,
    harmless: bool = False,
    usual: bool = False,
) -> tuple[Hit, ...]:
    """Return the noise hits of a session, or of one take, in order of take name and time.

    With ``harmless`` those that somebody called so too, with ``usual`` the usual sounds of playing too.
    """
    query = select(*_OF_HIT).join(hit, hit.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id, _listed(harmless, usual))
    query = query.order_by(take.c.name, hit.c.start_s, hit.c.id)
    if take_name is not None:
        query = query.where(take.c.name == take_name)
    return tuple(_stored(row) for row in db.execute(query.limit(limit).offset(offset)))


def hits_of_group(db: Connection, session_id: int, group: str, limit: int) -> tuple[tuple[int, int, Hit], ...]:
    """Return (id, take id, hit) of a group's hits in order of take name and time, the first ``limit`` of them."""
    mine = (take.c.session_id == session_id, hit.c.group == group, _listed(True))
    query = select(hit.c.id, hit.c.take_id, *_OF_HIT).join(take, hit.c.take_id == take.c.id).where(*mine)
    rows = db.execute(query.order_by(take.c.name, hit.c.start_s, hit.c.id).limit(limit))
    return tuple((hit_id, take_id, _hit(values)) for hit_id, take_id, *values in rows)


def find_hit(db: Connection, session_id: int, hit_id: int) -> Hit | None:
    """Return one hit of a session."""
    query = select(*_OF_HIT).join(take, hit.c.take_id == take.c.id)
    row = db.execute(query.where(take.c.session_id == session_id, hit.c.id == hit_id)).first()
    return None if row is None else _stored(row)


def hits_by_mic(db: Connection, session_id: int, harmless: bool = False) -> dict[str, int]:
    """Return microphone -> number of hits loudest there, the worst first."""
    return _count(db, session_id, hit.c.mic, harmless)


def hits_by_kind(db: Connection, session_id: int, harmless: bool = False) -> dict[str, int]:
    """Return kind -> number of hits, the most frequent first."""
    return _count(db, session_id, hit.c.kind, harmless)


def save_groups(db: Connection, session_id: int, takes: Sequence[Take]) -> None:
    """Store what the ranking settled about every hit; takes and hits as ``analysed_takes`` gave them."""
    query = select(take.c.name, hit.c.id).join(hit, hit.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id).order_by(take.c.name, hit.c.start_s, hit.c.id)
    ids: dict[str, list[int]] = {}
    for row in db.execute(query):
        ids.setdefault(row.name, []).append(row.id)
    rows = [
        {"of": at} | {f"new_{name}": getattr(one, name) for name in SETTLED}
        for ranked in takes
        # A take read anew in between has other hits, and is ranked anew after that.
        if len(ids.get(ranked.name, [])) == len(ranked.hits)
        for at, one in zip(ids.get(ranked.name, []), ranked.hits, strict=True)
    ]
    if rows:
        values: dict[str, Any] = {name: bindparam(f"new_{name}") for name in SETTLED}
        db.execute(update(hit).where(hit.c.id == bindparam("of")).values(values), rows)


def floors(db: Connection, session_id: int) -> tuple[NoiseFloor, ...]:
    """Return the background level of each microphone in each take, in order of microphone and take name."""
    query = select(*(column for column in floor.c if column.name not in ("id", "take_id")), take.c.name.label("take"))
    query = query.join(floor, floor.c.take_id == take.c.id).where(take.c.session_id == session_id)
    rows = db.execute(query.order_by(floor.c.mic, take.c.name, floor.c.id))
    return tuple(NoiseFloor(**dict(row._mapping) | {"octaves_dbfs": _octaves(row)}) for row in rows)


def _listed(harmless: bool, usual: bool = False) -> Any:
    listed = true() if harmless else hit.c.harmless == false()
    return listed if usual else and_(listed, hit.c.usual == false())


def _octaves(row: Any) -> tuple[float | None, ...] | None:
    return None if row.octaves_dbfs is None else tuple(row.octaves_dbfs)


def _count(db: Connection, session_id: int, column: Column[Any], harmless: bool) -> dict[str, int]:
    number = func.count().label("number")
    query = select(column.label("what"), number).join(take, hit.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id, _listed(harmless))
    query = query.group_by(column).order_by(number.desc(), column)
    return {row.what: row.number for row in db.execute(query)}


def _stored(row: Row[Any]) -> Hit:
    return _hit(row)


def _hit(values: Sequence[Any]) -> Hit:
    found = {column.name: value for column, value in zip(_OF_HIT, values, strict=True)}
    return Hit(**found | {"mics": tuple(found["mics"]), "sound": tuple(found["sound"] or ())})
