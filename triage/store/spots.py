"""Spots: the segments of a take worth hearing, the most doubtful first."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select
from sqlalchemy.sql import Select

from triage.domain.spot import Spot
from triage.store import tables

_ORDER = (tables.spot.c.doubt.desc().nulls_last(), tables.spot.c.start_s, tables.spot.c.id)


NEWEST = 3  # sessions that examples are taken from


@dataclass(frozen=True)
class PlacedSpot:
    """A spot with where to hear it."""

    session_id: int
    session: str
    take_id: int
    take: str
    note: int | None
    mic: str | None
    kind: str
    doubt: float
    why: str


def spots_at_border(db: Connection, border: float, near: float) -> tuple[PlacedSpot, ...]:
    """Return the spot of each kind nearest to a border of doubt on either side of it, within ``near``; nearest first.

    On notes of the newest sessions.
    """
    spot, take, session = tables.spot.c, tables.take.c, tables.session.c
    newest = db.scalars(select(session.id).order_by(session.date.desc(), session.id.desc()).limit(NEWEST)).all()
    away, side = func.abs(spot.doubt - border), spot.doubt < border
    nearest = func.row_number().over(partition_by=(spot.kind, side), order_by=(away, spot.id))
    near_it = spot.doubt.between(border - near, border + near) & spot.note.is_not(None)
    ranked = select(spot.id, nearest.label("nearest")).join(tables.take, take.id == spot.take_id)
    first = ranked.where(take.session_id.in_(newest), near_it).subquery()
    columns = (take.session_id, session.name.label("session"), take.id.label("take_id"), take.name.label("take"))
    query = select(*columns, spot.note, spot.kind, spot.doubt, spot.why)
    query = query.add_columns(func.coalesce(spot.mic, take.measured_mic).label("mic"))
    query = query.join_from(tables.take, tables.spot, spot.take_id == take.id).join(
        tables.session, session.id == take.session_id
    )
    query = query.join(first, first.c.id == spot.id).where(first.c.nearest == 1).order_by(away, spot.id)
    return tuple(PlacedSpot(**row._mapping) for row in db.execute(query))


def take_spots(db: Connection, take_id: int) -> tuple[Spot, ...]:
    """Return the spots of one take."""
    rows = db.execute(_spots().where(tables.spot.c.take_id == take_id).order_by(*_ORDER))
    return tuple(_record(row) for row in rows)


def spots_among(db: Connection, page: Select[Any]) -> dict[str, list[Spot]]:
    """Return take name -> spots for the takes whose ids ``page`` selects."""
    found: dict[str, list[Spot]] = {}
    ids = page.subquery()
    for row in db.execute(_spots().join(ids, tables.spot.c.take_id == ids.c.id).order_by(*_ORDER)):
        found.setdefault(row.take, []).append(_record(row))
    return found


def spots_of(db: Connection, take_ids: Sequence[int]) -> dict[str, list[Spot]]:
    """Return take name -> spots for takes of one session, by their ids."""
    return spots_among(db, select(tables.take.c.id).where(tables.take.c.id.in_(take_ids)))


def broken_files(db: Connection, session_id: int) -> dict[str, list[str]]:
    """Return take name -> a line for each of its files that could not be used when the session was ranked last."""
    take = tables.take
    query = _spots().where(take.c.session_id == session_id, tables.spot.c.kind == "truncated")
    found: dict[str, list[str]] = {}
    for row in db.execute(query.order_by(take.c.name, tables.spot.c.id)):
        found.setdefault(row.take, []).append(row.why)
    return found


def replace_spots(db: Connection, session_id: int, take_ids: dict[str, int], spots: Iterable[Spot]) -> None:
    """Put these spots in place of all that the session had."""
    take, spot = tables.take, tables.spot
    of_session = select(take.c.id).where(take.c.session_id == session_id)
    db.execute(delete(spot).where(spot.c.take_id.in_(of_session)))
    if rows := [_row(record, take_ids[record.take]) for record in spots]:
        db.execute(insert(spot), rows)


def _spots() -> Select[Any]:
    columns = [column for column in tables.spot.c if column.name not in ("id", "take_id")]
    query = select(tables.take.c.name.label("take"), *columns).select_from(tables.spot)
    return query.join(tables.take, tables.take.c.id == tables.spot.c.take_id)


def _row(record: Spot, take_id: int) -> dict[str, Any]:
    return {"take_id": take_id} | {name: value for name, value in vars(record).items() if name != "take"}


def _record(row: Row[Any]) -> Spot:
    return Spot(**row._mapping)
