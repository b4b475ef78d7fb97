"""Neighbour notes: good notes to compare a note with, of the same cell or the next pitches.

"Good" is little doubt and no rejection by anybody, of the note or of its take; the same pitch comes before the next
ones, an accepted take before one that nobody has heard.
"""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Exists, case, exists, func, or_, select

from triage.domain.measurements import COMPARED
from triage.store import tables

take, note, verdict = tables.take, tables.note, tables.verdict
LITTLE_DOUBT = 0.25
REACH_SEMITONES = 2
CELL = ("session_id", "instrument", "articulation", "dynamic", "measured_mic")


@dataclass(frozen=True)
class NeighbourNote:
    """A note to compare with: where it is, how many semitones away, how doubtful, whether its take is accepted."""

    take_id: int
    take: str
    note: int
    pitch_midi: int
    semitones: int
    start_s: float
    end_s: float
    ring_end_s: float | None
    doubt: float | None
    accepted: bool
    values: dict[str, float | None]  # what of it is compared


def note_span(db: Connection, take_id: int, number: int) -> tuple[float, float] | None:
    """Return when a note starts and has rung out, in seconds."""
    query = select(note.c.start_s, func.coalesce(note.c.ring_end_s, note.c.end_s).label("end_s"))
    row = db.execute(query.where(note.c.take_id == take_id, note.c.number == number)).first()
    return None if row is None else (row.start_s, row.end_s)


def neighbour_notes(db: Connection, take_id: int, number: int, limit: int = 3) -> tuple[NeighbourNote, ...]:
    """Return the best notes to compare a note with; none where its pitch is not known."""
    about = select(note.c.pitch_midi, *(take.c[name] for name in CELL)).join(take, take.c.id == note.c.take_id)
    own = db.execute(about.where(note.c.take_id == take_id, note.c.number == number)).first()
    if own is None or own.pitch_midi is None:
        return ()
    away = func.abs(note.c.pitch_midi - own.pitch_midi)
    doubtful = case((func.coalesce(note.c.doubt, 0.0) > LITTLE_DOUBT, 1), else_=0)
    accepted = case((_has_standing("accept"), 1), else_=0)
    columns = (
        take.c.id.label("take_id"),
        take.c.name.label("take"),
        note.c.number.label("note"),
        note.c.pitch_midi,
        (note.c.pitch_midi - own.pitch_midi).label("semitones"),
        note.c.start_s,
        note.c.end_s,
        note.c.ring_end_s,
        note.c.doubt,
        accepted.label("accepted"),
        *(note.c[name] for name in COMPARED),
    )
    # Not "is not distinct from", which PostgreSQL asks no index for; None becomes IS NULL by itself.
    same_cell = [take.c[name] == getattr(own, name) for name in CELL]
    near = note.c.pitch_midi.between(own.pitch_midi - REACH_SEMITONES, own.pitch_midi + REACH_SEMITONES)
    itself = (note.c.take_id == take_id) & (note.c.number == number)
    query = select(*columns).join(take, take.c.id == note.c.take_id)
    query = query.where(*same_cell, near, ~itself, ~_has_standing("reject"), take.c.analysed)
    order = (doubtful, away, accepted.desc(), func.coalesce(note.c.doubt, 0.0), take.c.name, note.c.number)
    rows = db.execute(query.order_by(*order).limit(limit))
    return tuple(_neighbour(dict(row._mapping)) for row in rows)


def _neighbour(row: dict[str, Any]) -> NeighbourNote:
    values = {name: row.pop(name) for name in COMPARED}
    return NeighbourNote(**row | {"accepted": bool(row["accepted"]), "values": values})


def _has_standing(value: str) -> Exists:
    """Return the condition that somebody's standing verdict on the note or on its take has this value."""
    place = or_(verdict.c.note.is_(None), verdict.c.note == note.c.number)
    return exists().where(verdict.c.take_id == take.c.id, verdict.c.verdict == value, place, verdict.c.stands)
