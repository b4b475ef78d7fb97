"""A session while it is recorded: what comes next on its sheet, how fast it goes, which microphones are in trouble.

All of it is read from the last takes and the sheet alone, for a page that asks after every take.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median

from sqlalchemy import Connection, and_, func, select

from triage.domain.kinds import TECHNICAL, kind_named
from triage.domain.sheet_row import SheetRow
from triage.domain.spot import Spot
from triage.store import tables
from triage.store.spots import spots_of
from triage.store.stored import StoredTake
from triage.store.takes import stored_take

BACK = 60  # takes that are looked back on for the beginning of a trouble
LONGEST_BREAK_S = 600.0  # a longer pause between two takes says nothing of the pace
SURE = 0.5  # of the doubt of a finding
CLEAR = 1.9  # of a match between two microphones: far ones in long halls reach 1.6 by chance
take, sheet_row, arrival, floor = tables.take, tables.sheet_row, tables.arrival, tables.floor


@dataclass(frozen=True)
class Ahead:
    """What comes next on the sheet, how many takes are left, and how long they will take at the pace so far."""

    rows: tuple[SheetRow, ...]
    left: int
    planned: int
    left_s: float | None


@dataclass(frozen=True)
class MicTrouble:
    """What is wrong with a microphone in the last take, and the first take of the row in which it has been so."""

    mic: str
    what: str
    since: str
    at: datetime | None


def last_takes(db: Connection, session_id: int, limit: int = BACK) -> tuple[StoredTake, ...]:
    """Return the takes that were recorded last, the last one first."""
    query = select(take).where(take.c.session_id == session_id, take.c.recorded_at.is_not(None))
    rows = db.execute(query.order_by(take.c.recorded_at.desc(), take.c.name.desc()).limit(limit))
    return tuple(stored_take(row) for row in rows)


def ahead(db: Connection, session_id: int, last: Sequence[StoredTake], limit: int = 3) -> Ahead:
    """Return what is still to be recorded: rows of the sheet without a take, those after the last take first."""
    mine = sheet_row.c.session_id == session_id
    columns = [column for column in sheet_row.c if column.name not in ("id", "session_id")]
    open_ = sheet_row.outerjoin(take, and_(take.c.session_id == session_id, take.c.name == sheet_row.c.take))
    to_come = (mine, take.c.id.is_(None))
    at = db.scalar(select(sheet_row.c.id).where(mine, sheet_row.c.take == last[0].name)) if last else None
    query = select(*columns).select_from(open_).where(*to_come)
    rows = db.execute(query.order_by(sheet_row.c.id < (at or 0), sheet_row.c.id).limit(limit))
    left = db.scalar(select(func.count()).select_from(open_).where(*to_come)) or 0
    planned = db.scalar(select(func.count()).select_from(sheet_row).where(mine)) or 0
    pace_s = _pace_s(last)
    values = (SheetRow(**dict(row._mapping) | {"pitches": tuple(row.pitches)}) for row in rows)
    return Ahead(tuple(values), left, planned, None if pace_s is None else left * pace_s)


def mic_troubles(db: Connection, session_id: int, last: Sequence[StoredTake]) -> tuple[MicTrouble, ...]:
    """Return what is wrong with the microphones in the last take, and since which take."""
    analysed = [one for one in last if one.analysed]
    if not analysed:
        return ()
    found = _troubles(db, session_id, analysed)
    troubles = []
    for mic, what in sorted(found[0]):
        row = 1
        while row < len(found) and (mic, what) in found[row]:
            row += 1
        first = analysed[row - 1]
        troubles.append(MicTrouble(mic, what, first.name, first.recorded_at))
    return tuple(troubles)


def _pace_s(last: Sequence[StoredTake]) -> float | None:
    """Return the seconds from one take to the next, pauses included; None where no two are known."""
    starts = [one.recorded_at for one in reversed(last) if one.recorded_at is not None]
    apart = [(after - at).total_seconds() for at, after in pairwise(starts)]
    apart = [seconds for seconds in apart if 0 < seconds <= LONGEST_BREAK_S]
    return median(apart) if apart else None


def _troubles(db: Connection, session_id: int, last: Sequence[StoredTake]) -> list[set[tuple[str, str]]]:
    """Return for each take (microphone, what is wrong)."""
    place = {one.name: number for number, one in enumerate(last)}
    found: list[set[tuple[str, str]]] = [set() for _ in last]
    for name, spots in spots_of(db, [one.id for one in last]).items():
        found[place[name]] |= {(one.mic, _words(one)) for one in spots if one.mic and _is_trouble(one)}
    for number, pair in enumerate(_turned(db, last)):
        found[number] |= pair
    tracks = select(take.c.name, tables.track.c.mic, arrival.c.found).select_from(arrival)
    tracks = tracks.join(tables.track, tables.track.c.path == arrival.c.path).join(
        take, take.c.id == tables.track.c.take_id
    )
    odd = (
        arrival.c.session_id == session_id,
        arrival.c.what == "sample_rate_hz",
        take.c.id.in_([t.id for t in last]),
    )
    for row in db.execute(tracks.where(*odd)):
        found[place[row.name]].add((row.mic, f"recorded at {row.found} Hz"))
    away = (arrival.c.session_id == session_id, arrival.c.kind == "missing", arrival.c.take.in_(list(place)))
    for name, mic in db.execute(select(arrival.c.take, arrival.c.mic).where(*away)):
        found[place[name]].add((mic, "no file"))
    return found


def _is_trouble(spot: Spot) -> bool:
    kind = kind_named(spot.kind)
    if spot.kind == "polarity":  # told from the tracks themselves, from the first note on
        return False
    lasting = kind.lasting and spot.note is None and spot.start_s == 0.0
    return (spot.kind in TECHNICAL or lasting) and (spot.doubt or 0.0) >= SURE


def _words(spot: Spot) -> str:
    kind = kind_named(spot.kind)
    return kind.finding or kind.words


def _turned(db: Connection, last: Sequence[StoredTake]) -> list[set[tuple[str, str]]]:
    """Return for each take the microphones whose polarity is turned against the others'.

    Where all others (two or more) are turned against the one that was measured, it is that one. Where only two can be
    compared, the takes that could compare more tell which of them it is.
    """
    columns = [floor.c[name] for name in ("take_id", "mic", "polarity", "clear", "lag_s")]
    signs: dict[int, dict[str, int]] = {one.id: {} for one in last}
    for row in db.execute(select(*columns).where(floor.c.take_id.in_(list(signs)))):
        if row.polarity and row.lag_s is not None and (row.clear or 0.0) >= CLEAR:
            signs[row.take_id][row.mic] = row.polarity
    told: dict[int, set[str]] = {}
    for one in last:
        own = signs[one.id]
        against = {mic for mic, sign in own.items() if sign < 0}
        if len(own) >= 2:
            told[one.id] = {one.measured_mic} if len(against) == len(own) and one.measured_mic else against
    found = []
    for one in last:
        pair = {mic for mic, sign in signs[one.id].items() if sign < 0} | {one.measured_mic or ""}
        if (turned := told.get(one.id)) is None and len(pair) == 2:
            turned = next((of & pair for of in told.values() if len(of & pair) == 1), None)
            if turned is None:
                found.append({(mic, f"polarity opposite to {one.measured_mic}") for mic in pair - {one.measured_mic}})
                continue
        found.append({(mic, "polarity turned") for mic in turned or ()})
    return found
