"""Choices: which notes a person wants kept. They are only ever added to; the last one on a note counts."""

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


def record_choice(db: Connection, session_id: int, chosen: NoteChoice) -> None:
    """Add one choice; the note's pitch is put down with it, because numbers may move when a file changes."""
    if not chosen.by.strip():
        raise StoreError("a choice needs a name: say who chooses with --by")
    if chosen.repetition is not None and chosen.repetition < 1:
        raise StoreError(f"repetition {chosen.repetition}: repetitions of a cell count from 1")
    take_id = find_take(db, session_id, chosen.take).id
    found = {note.number: note for note in notes(db, session_id, chosen.take)}
    if chosen.note not in found:
        there = f"its notes are 1 to {max(found)}" if found else "no notes were found in it"
        raise StoreError(f"take {chosen.take} has no note {chosen.note}: {there}")
    row = {name: value for name, value in vars(chosen).items() if name not in ("take", "pitch_midi")}
    db.execute(insert(choice).values(take_id=take_id, pitch_midi=pitch_of(found[chosen.note]), **row))
    bump(db, session_id, "verdicts")


def kept_choices(db: Connection, session_id: int) -> tuple[NoteChoice, ...]:
    """Return the notes that stand as chosen, in order of take and note."""
    last = {(one.take, one.note): one for one in _all(db, session_id)}
    return tuple(one for _, one in sorted(last.items()) if one.kept)


def pitch_of(note: StoredNote) -> int | None:
    """Return the pitch that a note counts for: the sheet's, else the nearest."""
    return note.pitch_midi if note.sheet_midi is None else note.sheet_midi


def _all(db: Connection, session_id: int) -> Iterator[NoteChoice]:
    columns = [column for column in choice.c if column.name not in ("id", "take_id")]
    query = select(take.c.name.label("take"), *columns).join(choice, choice.c.take_id == take.c.id)
    for row in db.execute(query.where(take.c.session_id == session_id).order_by(choice.c.id)):
        yield NoteChoice(**row._mapping)
