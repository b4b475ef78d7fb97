"""Reloading: a session's takes as they were heard, to be judged again; and their notes' places on the sheet."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, bindparam, update

from triage.domain.note import Note
from triage.domain.take import Take
from triage.store import tables
from triage.store.hits import floors, hits
from triage.store.notes import embeddings, encoders, notes
from triage.store.takes import take_ids, takes, tracks_of_takes

note = tables.note


def analysed_takes(db: Connection, session_id: int) -> list[Take]:
    """Return every take of a session with its notes, embeddings, hits and floors, in order of name."""
    vectors: dict[tuple[str, int], dict[str, Any]] = defaultdict(dict)
    for encoder in encoders(db, session_id):
        keys, matrix = embeddings(db, session_id, encoder)
        for key, vector in zip(keys, matrix, strict=True):
            vectors[key][encoder] = vector
    own_notes, own_hits, own_floors = defaultdict(list), defaultdict(list), defaultdict(list)
    for row in notes(db, session_id):
        own_notes[row.take].append(
            Note(
                row.number,
                row.start_s,
                row.end_s,
                row.ring_end_s,
                row.pitch_midi,
                row.sheet_midi,
                row.measurements,
                vectors[row.take, row.number],
            )
        )
    for hit in hits(db, session_id, harmless=True):
        own_hits[hit.take].append(replace(hit, take=""))
    for floor in floors(db, session_id):
        own_floors[floor.take].append(replace(floor, take=""))
    own_tracks = tracks_of_takes(db, session_id)
    return [
        Take(
            stored.name,
            stored.fingerprint or "",
            stored.instrument,
            stored.articulation,
            stored.dynamic,
            stored.remark,
            stored.expected_pitches,
            stored.repetitions,
            stored.duration_s,
            stored.problem,
            stored.analysed,
            own_tracks.get(stored.name, ()),
            tuple(own_notes[stored.name]),
            tuple(own_hits[stored.name]),
            tuple(own_floors[stored.name]),
            stored.measured_mic,
            stored.setup,
            stored.recorded_at,
            stored.recorded_from,
        )
        for stored in takes(db, session_id)
    ]


def save_places(db: Connection, session_id: int, placed: Sequence[Take]) -> None:
    """Store each note's pitch on the sheet, the nearest pitch, and its distance from it in cents."""
    ids = take_ids(db, session_id)
    rows = [
        {
            "of_take": ids[one.name],
            "of_number": played.number,
            "pitch": played.pitch_midi,
            "sheet": played.sheet_midi,
            "away": played.measurements.get("cents"),
        }
        for one in placed
        for played in one.notes
    ]
    if rows:
        mine = (note.c.take_id == bindparam("of_take")) & (note.c.number == bindparam("of_number"))
        columns = {"pitch_midi": "pitch", "sheet_midi": "sheet", "cents": "away"}
        values: dict[str, Any] = {column: bindparam(name) for column, name in columns.items()}
        db.execute(update(note).where(mine).values(values), rows)
