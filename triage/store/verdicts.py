"""Verdicts: people's decisions on takes and notes. They are only ever added to; the last one counts.

Undoing is added too, as a retraction that names the verdict: no verdict is ever overwritten or deleted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, func, insert, select
from sqlalchemy.exc import IntegrityError

from triage.domain.errors import StoreError
from triage.domain.verdict import SHOWN, VERDICTS, Verdict
from triage.store import tables
from triage.store.changes import bump
from triage.store.standing import settle, was_taken_back
from triage.store.takes import find_take, lock_session

take, verdict, retraction = tables.take, tables.verdict, tables.retraction
LONGEST_TEXT = 2000  # characters of a reason or a comment


@dataclass(frozen=True)
class TakenBack:
    """One verdict that its giver took back."""

    id: int
    take_id: int
    take: str
    note: int | None
    verdict: str


def record_verdict(
    db: Connection, session_id: int, given: Verdict, key: str | None = None, audio_digest: str | None = None
) -> int:
    """Add one verdict and return its id; an unknown take, note or value is an error that names what there is.

    ``key`` is the sender's own id of this verdict: sent again, it is the same verdict and not another one.
    ``audio_digest`` is the take's as it was heard, if that can differ from what the store holds by now.
    """
    _check(given)
    take_id = find_take(db, session_id, given.take).id
    # A second verdict on the same take at the same moment waits, so that both are counted.
    now = select(take.c.audio_digest, take.c.sheet_row_digest).where(take.c.id == take_id)
    digests = dict(db.execute(now.with_for_update(key_share=True)).one()._mapping)
    if key is not None and (known := _known(db, take_id, given, key)):
        return known
    if given.note is not None:
        _check_note(db, take_id, given)
    row = {name: value for name, value in vars(given).items() if name != "take"}
    row |= {"take_id": take_id, "key": key} | digests
    row["audio_digest"] = audio_digest or row["audio_digest"]
    try:
        made = db.execute(insert(verdict).values(row).returning(verdict.c.id)).scalar_one()
    except IntegrityError:
        raise StoreError(f"verdict key {key!r} is already used for another take; make a new one") from None
    settle(db, take_id)
    bump(db, session_id, "verdicts")
    return made


def take_back(
    db: Connection,
    session_id: int,
    by: str,
    at: datetime,
    steps: int = 1,
    key: str | None = None,
    of: Sequence[str] = (),
) -> tuple[TakenBack, ...]:
    """Take back a person's verdicts in a session, the last one first; those before them count again.

    They are the ones with the keys ``of``, or the last ``steps`` where no key is given.
    """
    lock_session(db, session_id)  # two undos at once are two steps, never the same one twice
    if key is not None and (done := _back(db, session_id, retraction.c.key == key)):
        return done
    mine = select(verdict.c.id, verdict.c.take_id).join(take, take.c.id == verdict.c.take_id)
    mine = mine.where(take.c.session_id == session_id, verdict.c.by == by, ~was_taken_back())
    mine = mine.where(verdict.c.key.in_(of)) if of else mine.order_by(verdict.c.id.desc()).limit(steps)
    last = db.execute(mine).all()
    takes = sorted({row.take_id for row in last})
    db.execute(select(take.c.id).where(take.c.id.in_(takes)).order_by(take.c.id).with_for_update(key_share=True))
    if last:
        db.execute(insert(retraction), [{"verdict_id": row.id, "by": by, "at": at, "key": key} for row in last])
        for take_id in takes:
            settle(db, take_id)
        bump(db, session_id, "verdicts")
    return _back(db, session_id, verdict.c.id.in_([row.id for row in last]))


def _check(given: Verdict) -> None:
    if given.verdict not in VERDICTS:
        raise StoreError(f"verdict {given.verdict!r} is none of {', '.join(VERDICTS)}")
    if given.shown is not None and given.shown not in SHOWN:
        raise StoreError(f"a take is shown for its doubt, or for one of {', '.join(SHOWN)}; found {given.shown!r}")
    if not given.by.strip():
        raise StoreError("a verdict needs a name: say who gives it with --by")
    for what, text in (("reason", given.reason), ("comment", given.comment)):
        if len(text or "") > LONGEST_TEXT:
            raise StoreError(f"the {what} has {len(text or '')} characters; {LONGEST_TEXT} are the most")


def _check_note(db: Connection, take_id: int, given: Verdict) -> None:
    note = tables.note
    highest = db.scalar(select(func.max(note.c.number)).where(note.c.take_id == take_id))
    known = select(note.c.number).where(note.c.take_id == take_id, note.c.number == given.note)
    if db.scalar(known) is None:
        there = f"its notes are 1 to {highest}" if highest else "no notes were found in it"
        raise StoreError(f"take {given.take} has no note {given.note}: {there}")


def _known(db: Connection, take_id: int, given: Verdict, key: str) -> int | None:
    """Return the verdict that came with this key before, if it did."""
    row = db.execute(select(verdict).where(verdict.c.key == key)).first()
    if row is None:
        return None
    if (row.take_id, row.note, row.verdict, row.by) != (take_id, given.note, given.verdict, given.by):
        raise StoreError(f"verdict key {key!r} is already used for another verdict; make a new one")
    return row.id


def _back(db: Connection, session_id: int, which: ColumnElement[bool]) -> tuple[TakenBack, ...]:
    columns = (verdict.c.id, verdict.c.take_id, take.c.name.label("take"), verdict.c.note, verdict.c.verdict)
    query = select(*columns).join(take, take.c.id == verdict.c.take_id)
    query = query.join(retraction, retraction.c.verdict_id == verdict.c.id)
    rows: list[Row[Any]] = list(
        db.execute(query.where(take.c.session_id == session_id, which).order_by(verdict.c.id.desc()))
    )
    return tuple(TakenBack(**row._mapping) for row in rows)
