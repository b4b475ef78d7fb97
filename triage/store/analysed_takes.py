"""Analysed takes read back from the store, to be judged again; and their notes' places on the sheet."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

from sqlalchemy import Connection, bindparam, update

from triage.domain.note import Note
from triage.domain.take import Take
from triage.store import tables
from triage.store.hits import floors, hits
from triage.store.notes import embeddings, encoders, notes
from triage.store.takes import take_ids, takes, tracks_of_takes

note = tables.note
# What a stored note or take holds under the name that the analysis gave it; the rest lies in other tables.
OF_NOTE = tuple(one.name for one in fields(Note) if one.name != "embeddings")
APART = ("fingerprint", "tracks", "notes", "hits", "floors", "previews", "audio_digest")
OF_TAKE = tuple(one.name for one in fields(Take) if one.name not in APART)


def analysed_takes(db: Connection, session_id: int) -> list[Take]:
    """Return every take of a session with its notes, embeddings, hits and floors, in order of name."""
    vectors = _vectors(db, session_id)
    own_notes, own_hits, own_floors = defaultdict(list), defaultdict(list), defaultdict(list)
    for row in notes(db, session_id):
        values = {name: getattr(row, name) for name in OF_NOTE}
        own_notes[row.take].append(Note(**values, embeddings=vectors[row.take, row.number]))
    for hit in hits(db, session_id, harmless=True, usual=True):
        own_hits[hit.take].append(replace(hit, take=""))
    for floor in floors(db, session_id):
        own_floors[floor.take].append(replace(floor, take=""))
    own_tracks = tracks_of_takes(db, session_id)
    return [
        Take(
            **{name: getattr(stored, name) for name in OF_TAKE},
            fingerprint=stored.fingerprint or "",
            tracks=own_tracks.get(stored.name, ()),
            notes=tuple(own_notes[stored.name]),
            hits=tuple(own_hits[stored.name]),
            floors=tuple(own_floors[stored.name]),
        )
        for stored in takes(db, session_id)
    ]


def _vectors(db: Connection, session_id: int) -> dict[tuple[str, int], dict[str, Any]]:
    found: dict[tuple[str, int], dict[str, Any]] = defaultdict(dict)
    for encoder in encoders(db, session_id):
        keys, matrix = embeddings(db, session_id, encoder)
        for key, vector in zip(keys, matrix, strict=True):
            found[key][encoder] = vector
    return found


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
