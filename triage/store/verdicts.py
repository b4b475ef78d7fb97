"""Verdicts: what people said of takes and notes. They are only ever added to; the last one counts."""

from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from triage.errors import StoreError
from triage.store import tables
from triage.store.recording import find_take
from triage.store.records import VERDICTS, VerdictRecord

take, verdict = tables.take, tables.verdict


def record_verdict(db: Connection, session_id: int, said: VerdictRecord) -> None:
    """Add one verdict; an unknown take, note or word is an error that names what there is."""
    if said.verdict not in VERDICTS:
        raise StoreError(f"verdict {said.verdict!r} is none of {', '.join(VERDICTS)}")
    if not said.by.strip():
        raise StoreError("a verdict needs a name: say who gives it with --by")
    take_id = find_take(db, session_id, said.take).id
    if said.note is not None:
        _check_note(db, take_id, said)
    row = {name: value for name, value in vars(said).items() if name != "take"}
    db.execute(insert(verdict).values(take_id=take_id, **row))


def verdicts(db: Connection, session_id: int, take_name: str | None = None) -> tuple[VerdictRecord, ...]:
    """Return the verdicts of a session, or of one take of it, in the order given."""
    columns = [column for column in verdict.c if column.name not in ("id", "take_id")]
    query = select(take.c.name.label("take"), *columns).join(verdict, verdict.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id).order_by(verdict.c.id)
    if take_name is not None:
        query = query.where(take.c.name == take_name)
    return tuple(_record(row) for row in db.execute(query))


def _check_note(db: Connection, take_id: int, said: VerdictRecord) -> None:
    note = tables.note
    highest = db.scalar(select(func.max(note.c.number)).where(note.c.take_id == take_id))
    known = select(note.c.number).where(note.c.take_id == take_id, note.c.number == said.note)
    if db.scalar(known) is None:
        there = f"its notes are 1 to {highest}" if highest else "no notes were found in it"
        raise StoreError(f"take {said.take} has no note {said.note}: {there}")


def _record(row: Row[Any]) -> VerdictRecord:
    return VerdictRecord(**row._mapping)
