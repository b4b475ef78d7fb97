"""What people said of a session, out of one store and into another: verdicts, undone ones too, choices, marks.

Out comes a ``SessionRecord``, which ``transfer`` writes into a bag as JSON; in goes one that came from elsewhere.
Only what the store does not hold yet is added, so that a second bag of the same session adds the new verdicts alone.
Verdicts keep the digests of what was heard: whether they still stand is settled from those, as everywhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AwareDatetime, Field
from sqlalchemy import Column, Connection, Table, insert, select

from triage.config import Strict
from triage.store import tables
from triage.store.changes import bump
from triage.store.session_features import delete_features
from triage.store.standing import settle
from triage.store.takes import find_session, lock_session, take_ids

LONGEST_TEXT = 10_000
LONG_AGO = datetime.min.replace(tzinfo=UTC)
Text = Annotated[str, Field(max_length=LONGEST_TEXT)]
Name = Annotated[str, Field(min_length=1, max_length=LONGEST_TEXT)]
Count = Annotated[int, Field(ge=1, le=2**31 - 1)]


class GivenBefore(Strict):
    """One verdict as it was given, and who took it back when, if anybody did."""

    take: Name
    note: Count | None = None
    verdict: Literal["accept", "reject", "unsure"]
    reason: Text | None = None
    comment: Text | None = None
    blind: bool = False
    by: Name
    at: AwareDatetime
    audio_digest: Text | None = None
    sheet_row_digest: Text | None = None
    shown: Literal["learning", "random", "repeat", "second"] | None = None
    settles: bool = False
    taken_back_by: Text | None = None
    taken_back_at: AwareDatetime | None = None


class ChosenBefore(Strict):
    """One choice of a note for its cell."""

    take: Name
    note: Count
    repetition: Count | None = None
    kept: bool
    pitch_midi: Annotated[int, Field(ge=0, le=127)] | None = None
    by: Name
    at: AwareDatetime


class MarkedBefore(Strict):
    """One mark on a group of noise hits."""

    group: Name
    harmless: bool
    loudest_dbfs: Annotated[float, Field(allow_inf_nan=False)] | None = None
    session: Text
    by: Name
    at: AwareDatetime


class SessionRecord(Strict):
    """All that people said of a session."""

    session: Name
    verdicts: tuple[GivenBefore, ...] = ()
    choices: tuple[ChosenBefore, ...] = ()
    marks: tuple[MarkedBefore, ...] = ()


Said = TypeVar("Said", GivenBefore, ChosenBefore, MarkedBefore)


def session_record(db: Connection, name: str) -> SessionRecord:
    """Return what people said of a session, in the order in which they said it."""
    session_id, take = find_session(db, name).id, tables.take
    given, back = tables.verdict, tables.retraction
    of_take = (take.c.name.label("take"), take.c.session_id == session_id)
    query = select(of_take[0], *_columns(given, GivenBefore), back.c.by.label("taken_back_by"))
    query = query.add_columns(back.c.at.label("taken_back_at")).join(take, take.c.id == given.c.take_id)
    query = query.outerjoin(back, back.c.verdict_id == given.c.id).where(of_take[1]).order_by(given.c.id)
    chosen = select(of_take[0], *_columns(tables.choice, ChosenBefore)).join(
        take, take.c.id == tables.choice.c.take_id
    )
    marks = select(*_columns(tables.mark, MarkedBefore)).where(tables.mark.c.session == name)
    return SessionRecord(
        session=name,
        verdicts=tuple(GivenBefore(**row._mapping) for row in db.execute(query)),
        choices=tuple(
            ChosenBefore(**row._mapping) for row in db.execute(chosen.where(of_take[1]).order_by(tables.choice.c.id))
        ),
        marks=tuple(MarkedBefore(**row._mapping) for row in db.execute(marks.order_by(tables.mark.c.id))),
    )


@dataclass(frozen=True)
class Added:
    """What of a record was new: numbers of verdicts (undone ones included), choices, marks; what was left out."""

    verdicts: int
    choices: int
    marks: int
    absent: tuple[str, ...]  # takes that are not here
    outdated: int  # verdicts older than what the same person has said here of the same


def add_session_record(db: Connection, record: SessionRecord) -> Added:
    """Add what the store does not hold of a record of a session that it holds."""
    session_id = find_session(db, record.session).id
    lock_session(db, session_id)
    ids, known = take_ids(db, session_id), session_record(db, record.session)
    named = {one.take for one in record.verdicts} | {one.take for one in record.choices}
    last = {(one.take, one.note, one.by): one.at for one in known.verdicts}
    verdicts = [one for one in _new(record.verdicts, known.verdicts) if one.take in ids]
    in_time = [one for one in verdicts if one.at > last.get((one.take, one.note, one.by), LONG_AGO)]
    changed = {_add_verdict(db, ids[one.take], one) for one in in_time}
    changed |= _undo(db, ids, record, known)
    choices = [one for one in _new(record.choices, known.choices) if one.take in ids]
    if choices:
        rows = [one.model_dump(exclude={"take"}) | {"take_id": ids[one.take]} for one in choices]
        db.execute(insert(tables.choice), rows)
    marks = _new(record.marks, known.marks)
    if marks:
        db.execute(insert(tables.mark), [one.model_dump() for one in marks])
        delete_features(db)
    for take_id in sorted(changed):
        settle(db, take_id)
    if changed or choices:
        bump(db, session_id, "verdicts")
    return Added(
        len(in_time), len(choices), len(marks), tuple(sorted(named - ids.keys())), len(verdicts) - len(in_time)
    )


def _columns(table: Table, model: type[Strict]) -> list[Column[Any]]:
    return [table.c[name] for name in model.model_fields if name in table.c]


def _identity(one: GivenBefore | ChosenBefore | MarkedBefore) -> tuple[Any, ...]:
    """Return what makes a verdict, choice or mark itself, whatever became of it."""
    return tuple(getattr(one, name, None) for name in ("take", "note", "group", "verdict", "kept", "by", "at"))


def _new(brought: Sequence[Said], known: Sequence[Said]) -> list[Said]:
    there = {_identity(one) for one in known}
    return [one for one in brought if _identity(one) not in there]


def _add_verdict(db: Connection, take_id: int, one: GivenBefore) -> int:
    row = one.model_dump(exclude={"take", "taken_back_by", "taken_back_at"}) | {"take_id": take_id}
    made = db.execute(insert(tables.verdict).values(row).returning(tables.verdict.c.id)).scalar_one()
    if one.taken_back_by and one.taken_back_at:
        undone = {"verdict_id": made, "by": one.taken_back_by, "at": one.taken_back_at}
        db.execute(insert(tables.retraction).values(undone))
    return take_id


def _undo(db: Connection, ids: dict[str, int], record: SessionRecord, known: SessionRecord) -> set[int]:
    """Take back here what was taken back there since the last record; return the takes."""
    standing = {_identity(one) for one in known.verdicts if one.taken_back_by is None}
    given, changed = tables.verdict, set()
    for one in record.verdicts:
        if one.taken_back_by and one.taken_back_at and _identity(one) in standing:
            same = [given.c[name] == getattr(one, name) for name in ("by", "at", "verdict")]
            same += [given.c.take_id == ids[one.take], given.c.note.is_not_distinct_from(one.note)]
            verdict_id = db.scalar(select(given.c.id).where(*same))
            undone = {"verdict_id": verdict_id, "by": one.taken_back_by, "at": one.taken_back_at}
            db.execute(insert(tables.retraction).values(undone))
            changed.add(ids[one.take])
    return changed
