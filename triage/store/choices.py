"""Choices: which notes a person wants kept. They are only ever added to; the last word on a note counts."""

from collections.abc import Iterator

from sqlalchemy import Connection, insert, select

from triage.domain.errors import StoreError
from triage.domain.verdict import NoteChoice
from triage.store import tables
from triage.store.changes import bump
from triage.store.notes import notes
from triage.store.stored import StoredNote
from triage.store.takes import find_take

take, choice = tables.take, tables.choice


def record_choice(db: Connection, session_id: int, said: NoteChoice) -> None:
    """Add one choice; the note's pitch is put down with it, because numbers may move when a file changes."""
    if not said.by.strip():
        raise StoreError("a choice needs a name: say who chooses with --by")
    if said.repetition is not None and said.repetition < 1:
        raise StoreError(f"repetition {said.repetition}: repetitions of a cell count from 1")
    take_id = find_take(db, session_id, said.take).id
    found = {note.number: note for note in notes(db, session_id, said.take)}
    if said.note not in found:
        there = f"its notes are 1 to {max(found)}" if found else "no notes were found in it"
        raise StoreError(f"take {said.take} has no note {said.note}: {there}")
    row = {name: value for name, value in vars(said).items() if name not in ("take", "pitch_midi")}
    db.execute(insert(choice).values(take_id=take_id, pitch_midi=pitch_of(found[said.note]), **row))
    bump(db, session_id, "verdicts")


def kept_choices(db: Connection, session_id: int) -> tuple[NoteChoice, ...]:
    """Return the notes that stand as chosen, in order of take and note."""
    last = {(said.take, said.note): said for said in _all(db, session_id)}
    return tuple(said for _, said in sorted(last.items()) if said.kept)


def pitch_of(note: StoredNote) -> int | None:
    """Return the pitch that a note counts for: the sheet's, else the nearest."""
    return note.pitch_midi if note.sheet_midi is None else note.sheet_midi


def _all(db: Connection, session_id: int) -> Iterator[NoteChoice]:
    columns = [column for column in choice.c if column.name not in ("id", "take_id")]
    query = select(take.c.name.label("take"), *columns).join(choice, choice.c.take_id == take.c.id)
    for row in db.execute(query.where(take.c.session_id == session_id).order_by(choice.c.id)):
        yield NoteChoice(**row._mapping)
