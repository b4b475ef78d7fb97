"""Neighbour notes: good notes to compare a note with, of the same cell or the next pitches; the cell's repetitions.

"Good" is little doubt and no rejection by anybody, of the note or of its take; the same pitch comes before the next
ones, an accepted take before one that nobody has heard.
"""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Exists, Select, case, exists, func, literal, or_, select

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
    pitch_midi: int | None
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
    if (own := _own(db, take_id, number)) is None or own.pitch_midi is None:
        return ()
    away, doubt = func.abs(note.c.pitch_midi - own.pitch_midi), func.coalesce(note.c.doubt, 0.0)
    doubtful = case((doubt > LITTLE_DOUBT, 1), else_=0)
    accepted = case((_has_standing("accept"), 1), else_=0)
    near = note.c.pitch_midi.between(own.pitch_midi - REACH_SEMITONES, own.pitch_midi + REACH_SEMITONES)
    query = _others(own, note.c.pitch_midi - own.pitch_midi).where(near, ~_has_standing("reject"))
    order = (doubtful, away, accepted.desc(), doubt, take.c.name, note.c.number)
    rows = db.execute(query.order_by(*order).limit(limit))
    return tuple(_neighbour(dict(row._mapping)) for row in rows)


def repetition_notes(db: Connection, take_id: int, number: int, limit: int = 12) -> tuple[NeighbourNote, ...]:
    """Return the other repetitions of a note's cell, good or not, those of its own take first.

    The cell is that of the take sheet; where it names no pitch, that of the pitch that was found. What somebody
    rejected is left out.
    """
    own = _own(db, take_id, number)
    pitch = None if own is None else own.pitch_midi if own.sheet_midi is None else own.sheet_midi
    if pitch is None:
        return ()
    same_pitch = func.coalesce(note.c.sheet_midi, note.c.pitch_midi) == pitch
    query = _others(own, literal(0)).where(same_pitch, ~_has_standing("reject"))
    elsewhere = case((note.c.take_id == take_id, 0), else_=1)
    rows = db.execute(query.order_by(elsewhere, take.c.name, note.c.number).limit(limit))
    return tuple(_neighbour(dict(row._mapping)) for row in rows)


def _own(db: Connection, take_id: int, number: int) -> Any:
    """Return the cell and the pitches of a note, None where there is none."""
    about = select(
        note.c.take_id, note.c.number, note.c.pitch_midi, note.c.sheet_midi, *(take.c[name] for name in CELL)
    )
    query = about.join(take, take.c.id == note.c.take_id)
    return db.execute(query.where(note.c.take_id == take_id, note.c.number == number)).first()


def _others(own: Any, semitones: ColumnElement[int]) -> Select[Any]:
    """Return the other analysed notes of a note's instrument, articulation, dynamic and session."""
    columns = (
        take.c.id.label("take_id"),
        take.c.name.label("take"),
        note.c.number.label("note"),
        note.c.pitch_midi,
        semitones.label("semitones"),
        note.c.start_s,
        note.c.end_s,
        note.c.ring_end_s,
        note.c.doubt,
        case((_has_standing("accept"), 1), else_=0).label("accepted"),
        *(note.c[name] for name in COMPARED),
    )
    # Not "is not distinct from", which PostgreSQL asks no index for; None becomes IS NULL by itself.
    same_cell = [take.c[name] == getattr(own, name) for name in CELL]
    itself = (note.c.take_id == own.take_id) & (note.c.number == own.number)
    return select(*columns).join(take, take.c.id == note.c.take_id).where(*same_cell, ~itself, take.c.analysed)


def _neighbour(row: dict[str, Any]) -> NeighbourNote:
    values = {name: row.pop(name) for name in COMPARED}
    return NeighbourNote(**row | {"accepted": bool(row["accepted"]), "values": values})


def _has_standing(value: str) -> Exists:
    """Return the condition that somebody's standing verdict on the note or on its take has this value."""
    place = or_(verdict.c.note.is_(None), verdict.c.note == note.c.number)
    return exists().where(verdict.c.take_id == take.c.id, verdict.c.verdict == value, place, verdict.c.stands)
