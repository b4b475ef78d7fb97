"""Sessions, takes and tracks, in and out.

``save_take`` is the one way in for the analysis of a take; it leaves people's verdicts alone.
"""

import hashlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any

from sqlalchemy import Connection, Row, Select, Table, bindparam, delete, exists, insert, select, update

from triage.domain.errors import StoreError
from triage.domain.hit import Hit
from triage.domain.measurements import MEASUREMENTS
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.sheet_row import SheetRow
from triage.domain.take import NoiseFloor, Take, Track
from triage.store import tables
from triage.store.changes import bump, start_counting
from triage.store.previews import save_previews
from triage.store.session_features import delete_features
from triage.store.standing import settle
from triage.store.stored import StoredSession, StoredTake

_OF_TRACK = [column for column in tables.track.c if column.name not in ("id", "take_id")]
OF_ROW = ("instrument", "articulation", "dynamic", "remark", "repetitions")  # as the sheet has it
MOST_NAMES = 12  # that an error about an unknown name lists
GONE = "no longer in the folder or on the take sheet; kept because of what people said of it"


def save_session(db: Connection, record: Session, taken_in_at: datetime | None = None) -> int:
    """Store the session, or what is new about it under the same name, and return its id."""
    row = dict(vars(record)) | {"taken_in_at": taken_in_at or datetime.now(UTC)}
    table = tables.session
    known = db.scalar(select(table.c.id).where(table.c.name == record.name))
    if known is None:
        made = db.execute(insert(table).values(row).returning(table.c.id)).scalar_one()
        start_counting(db, made)
        return made
    db.execute(update(table).where(table.c.id == known).values(row))
    return known


def find_session(db: Connection, name: str | None = None) -> StoredSession:
    """Return the session of that name, or the one taken in last."""
    table = tables.session
    query = select(table).order_by(table.c.taken_in_at.desc(), table.c.id.desc()).limit(1)
    row = db.execute(query if name is None else query.where(table.c.name == name)).first()
    if row is not None:
        return StoredSession(**row._mapping)
    if name is None:
        raise StoreError("no session in the store yet; `triage intake FOLDER` takes one in")
    raise StoreError(_unknown("session", name, list(db.scalars(select(table.c.name)))))


def sessions(db: Connection) -> tuple[StoredSession, ...]:
    """Return every session, the one taken in last first."""
    table = tables.session
    rows = db.execute(select(table).order_by(table.c.taken_in_at.desc(), table.c.id.desc()))
    return tuple(StoredSession(**row._mapping) for row in rows)


def sessions_with(db: Connection, take: str) -> tuple[StoredSession, ...]:
    """Return the sessions that have a take of this name, the one taken in last first."""
    table = tables.session
    holds = exists().where(tables.take.c.session_id == table.c.id, tables.take.c.name == take)
    rows = db.execute(select(table).where(holds).order_by(table.c.taken_in_at.desc(), table.c.id.desc()))
    return tuple(StoredSession(**row._mapping) for row in rows)


def fingerprints(db: Connection, session_id: int) -> dict[str, str]:
    """Return take name -> fingerprint of what the store already holds, so that only the rest is read."""
    table = tables.take
    query = select(table.c.name, table.c.fingerprint).where(
        table.c.session_id == session_id, table.c.fingerprint.is_not(None)
    )
    return {row.name: row.fingerprint for row in db.execute(query)}


def save_take(db: Connection, session_id: int, record: Take) -> int:
    """Store the analysis of a take in place of the one before, and return its id.

    All or nothing. Its verdicts stay; its spots and doubt go, for they belong to the old audio.
    """
    _check(record)
    with db.begin_nested():
        lock_session(db, session_id)
        delete_features(db, session_id)
        take_id = _save_take_row(db, session_id, record)
        for table in (tables.track, tables.note, tables.hit, tables.spot, tables.floor, tables.expectation):
            db.execute(delete(table).where(table.c.take_id == take_id))
        _insert(db, tables.track, _rows(take_id, record.tracks))
        _insert(db, tables.note, _rows(take_id, record.notes, _note_row))
        _insert(db, tables.embedding, [row for note in record.notes for row in vector_rows(take_id, note)])
        _insert(db, tables.hit, _rows(take_id, record.hits, _hit_row))
        _insert(db, tables.floor, _rows(take_id, record.floors, _floor_row))
        save_previews(db, take_id, record.previews)
        settle(db, take_id)  # verdicts on other audio no longer count
        bump(db, session_id, "takes")
    return take_id


def correct_rows(db: Connection, session_id: int, rows: Iterable[SheetRow]) -> int:
    """Store what takes were to hold where that differs from what is stored, and return of how many it did.

    Their analysis stays; verdicts on a take that was to hold something else count no longer, as after any change.
    """
    table, corrected = tables.take, 0
    stored = {take.name: take for take in takes(db, session_id)}
    for row in rows:
        take = stored.get(row.take)
        values = {name: getattr(row, name) for name in OF_ROW}
        values |= {"expected_pitches": row.pitches, "setup": row.setup or None}
        values |= {"without_natural_sounds": row.natural_sounds == "none"}
        if take is None or all(getattr(take, name) == value for name, value in values.items()):
            continue
        digest = _sheet_row_digest(row.instrument, row.articulation, row.dynamic, row.pitches, row.repetitions)
        values |= {"expected_pitches": [int(pitch) for pitch in row.pitches], "sheet_row_digest": digest}
        db.execute(update(table).where(table.c.id == take.id).values(values))
        settle(db, take.id)
        corrected += 1
    if corrected:
        delete_features(db, session_id)
        bump(db, session_id, "takes")
    return corrected


def drop_takes(db: Connection, session_id: int, keep: Collection[str]) -> tuple[str, ...]:
    """Forget the takes of the session not named in ``keep``; return those that stay for their verdicts or choices."""
    take = tables.take
    kept: list[str] = []
    for name, take_id in sorted(take_ids(db, session_id).items()):
        if name in keep:
            continue
        if any(db.scalar(select(exists().where(t.c.take_id == take_id))) for t in (tables.verdict, tables.choice)):
            # No fingerprint: should the files come back, the take is read again.
            gone = {"problem": GONE, "fingerprint": None, "analysed": False}
            db.execute(update(take).where(take.c.id == take_id).values(gone))
            kept.append(name)
        else:
            db.execute(delete(take).where(take.c.id == take_id))
        delete_features(db, session_id)
    _close_ranks(db, session_id)  # the ranking that follows may never come
    return tuple(kept)


def takes(db: Connection, session_id: int, limit: int | None = None, offset: int = 0) -> tuple[StoredTake, ...]:
    """Return the takes of a session in order of name, a page of them if ``limit`` is given."""
    table = tables.take
    query = select(table).where(table.c.session_id == session_id).order_by(table.c.name)
    return tuple(stored_take(row) for row in db.execute(query.limit(limit).offset(offset)))


def find_take(db: Connection, session_id: int, name: str) -> StoredTake:
    """Return the take of that name; the error for an unknown one names its nearest."""
    table = tables.take
    of_session = table.c.session_id == session_id
    row = db.execute(select(table).where(of_session, table.c.name == name)).first()
    if row is None:
        raise StoreError(_unknown("take", name, list(db.scalars(select(table.c.name).where(of_session)))))
    return stored_take(row)


def take_of(db: Connection, take_id: int) -> StoredTake | None:
    """Return the take with that id."""
    row = db.execute(select(tables.take).where(tables.take.c.id == take_id)).first()
    return None if row is None else stored_take(row)


def session_of(db: Connection, session_id: int) -> StoredSession | None:
    """Return the session with that id."""
    row = db.execute(select(tables.session).where(tables.session.c.id == session_id)).first()
    return None if row is None else StoredSession(**row._mapping)


def tracks(db: Connection, take_id: int) -> tuple[Track, ...]:
    """Return the tracks of a take in the order they were stored."""
    query = select(*_OF_TRACK).where(tables.track.c.take_id == take_id).order_by(tables.track.c.id)
    return tuple(Track(**row._mapping) for row in db.execute(query))


def tracks_of_takes(db: Connection, session_id: int) -> dict[str, tuple[Track, ...]]:
    """Return the tracks of every take of a session, by the take's name, in the order they were stored."""
    found: dict[str, tuple[Track, ...]] = {}
    for name, *values in db.execute(_tracks_of_session(session_id).order_by(tables.track.c.id)):
        track = Track(**{column.name: value for column, value in zip(_OF_TRACK, values, strict=True)})
        found[name] = (*found.get(name, ()), track)
    return found


def tracks_of_session(db: Connection, session_id: int) -> tuple[Track, ...]:
    """Return the tracks of all takes of a session, in order of path."""
    query = _tracks_of_session(session_id).with_only_columns(*_OF_TRACK)
    rows = db.execute(query.order_by(tables.track.c.path, tables.track.c.channel))
    return tuple(Track(**row._mapping) for row in rows)


def _tracks_of_session(session_id: int) -> Select[Any]:
    query = select(tables.take.c.name, *_OF_TRACK).join(tables.take, tables.take.c.id == tables.track.c.take_id)
    return query.where(tables.take.c.session_id == session_id)


def lock_session(db: Connection, session_id: int) -> None:
    """Make a second intake of the same session wait for this one (SQLite has one writer at a time anyway)."""
    table = tables.session
    if db.scalar(select(table.c.id).where(table.c.id == session_id).with_for_update()) is None:
        raise StoreError(f"no session with id {session_id} in the store; `triage intake FOLDER` takes one in")


def random_order_of(session_id: int, take: str) -> float:
    """Return the take's own random number from 0 to 1, fixed by its name: the random sample goes in this order."""
    digest = hashlib.blake2b(f"{session_id}\n{take}".encode(errors="backslashreplace"), digest_size=8).digest()
    return int.from_bytes(digest) / 2**64


def take_ids(db: Connection, session_id: int) -> dict[str, int]:
    """Return take name -> id for one session."""
    table = tables.take
    rows = db.execute(select(table.c.name, table.c.id).where(table.c.session_id == session_id))
    return {row.name: row.id for row in rows}


def _save_take_row(db: Connection, session_id: int, record: Take) -> int:
    table = tables.take
    left_out = ("tracks", "notes", "hits", "floors", "previews")
    row = {name: value for name, value in vars(record).items() if name not in left_out}
    row["expected_pitches"] = [int(pitch) for pitch in record.expected_pitches]
    row |= dict.fromkeys(("doubt", "listen_s", "rank", "learning_rank"))
    asked = (record.instrument, record.articulation, record.dynamic, record.expected_pitches, record.repetitions)
    row["sheet_row_digest"] = _sheet_row_digest(*asked)
    known = db.scalar(select(table.c.id).where(table.c.session_id == session_id, table.c.name == record.name))
    if known is None:
        row |= {"session_id": session_id, "random_order": random_order_of(session_id, record.name)}
        return db.execute(insert(table).values(row).returning(table.c.id)).scalar_one()
    db.execute(update(table).where(table.c.id == known).values(row))
    return known


def _close_ranks(db: Connection, session_id: int) -> None:
    """Let the ranks run from 1 without gaps again, in the order they have."""
    table = tables.take
    ranked = select(table.c.id, table.c.rank).where(table.c.session_id == session_id, table.c.rank.is_not(None))
    rows = enumerate(db.execute(ranked.order_by(table.c.rank, table.c.name)).all(), start=1)
    if moved := [{"of": row.id, "place": place} for place, row in rows if row.rank != place]:
        db.execute(update(table).where(table.c.id == bindparam("of")).values(rank=bindparam("place")), moved)


def _sheet_row_digest(
    instrument: str | None,
    articulation: str | None,
    dynamic: str | None,
    pitches: Iterable[int],
    repetitions: int | None,
) -> str:
    """Return a digest of what a take was to hold, the remark left out: it changes nothing of the playing."""
    row = (instrument, articulation, dynamic, list(pitches), repetitions)
    return hashlib.sha256(repr(row).encode("utf-8", "backslashreplace")).hexdigest()[:32]


def _check(record: Take) -> None:
    for note in record.notes:
        if unknown := sorted(set(note.measurements) - set(MEASUREMENTS)):
            raise StoreError(
                f"take {record.name}, note {note.number}: no column for measurement {unknown[0]!r}; "
                f"it must be one of {', '.join(MEASUREMENTS)}"
            )


def _rows(
    take_id: int, records: Iterable[Any], row: Callable[[Any], Mapping[str, Any]] = vars
) -> list[dict[str, Any]]:
    return [{"take_id": take_id, **row(record)} for record in records]


def _insert(db: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    if rows:  # an empty list would insert one row of defaults
        db.execute(insert(table), rows)


def _note_row(record: Note) -> dict[str, Any]:
    # Every row names every measurement: one statement serves all rows.
    row = dict.fromkeys(MEASUREMENTS) | dict(record.measurements)
    left_out = ("measurements", "embeddings")
    row |= {name: value for name, value in vars(record).items() if name not in left_out}
    return row | {"errors": {name: float(f"{error:.3g}") for name, error in record.errors.items()} or None}


def vector_rows(take_id: int, record: Note) -> Iterator[dict[str, Any]]:
    """Yield the rows of one note's vectors; float16 is kept, all else becomes float32."""
    import numpy as np  # late: most of what reads takes does without

    for encoder, vector in record.embeddings.items():
        array = np.asarray(vector)
        kind = "<f2" if array.dtype == np.float16 else "<f4"
        yield {
            "take_id": take_id,
            "number": record.number,
            "encoder": encoder,
            "dimension": array.size,
            "vector": array.astype(kind).tobytes(),
        }


def _floor_row(record: NoiseFloor | Hit) -> dict[str, Any]:
    return {name: value for name, value in vars(record).items() if name != "take"}


def _hit_row(record: Hit) -> dict[str, Any]:
    return _floor_row(record) | {"mics": list(record.mics), "sound": list(record.sound) or None}


def stored_take(row: Row[Any]) -> StoredTake:
    """Return a row of the take table as a value."""
    values = dict(row._mapping)
    return StoredTake(**values | {"expected_pitches": tuple(values["expected_pitches"])})


def _all_named(what: str, known: list[str]) -> str:
    shown = sorted(known)[-MOST_NAMES:]
    more = f" and {len(known) - len(shown)} more" if len(known) > len(shown) else ""
    return f"no similar name; {what}s: {', '.join(shown)}{more}" if known else f"there is no {what} yet"


def _unknown(what: str, name: str, known: list[str]) -> str:
    near = get_close_matches(name, known, n=3, cutoff=0.5)
    nearest = f"nearest: {', '.join(near)}" if near else _all_named(what, known)
    return f"no {what} {name!r}; {nearest}"
