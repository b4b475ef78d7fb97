"""The record in a bag: what people said of a session and what was found in it, as JSON beside the recordings.

record/people.json  verdicts (undone ones too), choices of notes, marks on groups of noise hits: the next store takes
                    them over, so that work goes on where it was left
record/notes.json   every note with its measurements and doubt
record/hits.json    every noise hit
record/queue.json   the takes in order of doubt, with their spots

The last three are for whoever reads the bag with other programs; `triage intake` measures the recordings itself.
"""

import json
import math
from collections.abc import Iterable
from datetime import date, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection, Engine

from triage.domain.errors import AudioError
from triage.store.engine import reading, writing
from triage.store.hits import hits
from triage.store.notes import notes
from triage.store.ranking import queue
from triage.store.session_record import SessionRecord, add_session_record, session_record
from triage.store.stored import StoredSession
from triage.store.takes import find_session
from triage.transfer.manifests import DECLARATION_FILE, PAYLOAD, read_declaration, read_manifests

RECORD = "record"
PEOPLE = "people.json"
MOST_BYTES = 500_000_000


def record_texts(db: Connection, session: StoredSession) -> dict[str, str]:
    """Return path in the bag -> text of each file of a session's record."""
    people = session_record(db, session.name)
    listed = {
        "notes": notes(db, session.id),
        "hits": hits(db, session.id, harmless=True),
        "takes": queue(db, session.id),
    }
    texts = {f"{RECORD}/{PEOPLE}": people.model_dump_json(indent=1) + "\n"}
    for name, entries in listed.items():
        whole = {"session": session.name, "model": session.model, name: [_plain(vars(one)) for one in entries]}
        file = "queue" if name == "takes" else name
        texts[f"{RECORD}/{file}.json"] = json.dumps(whole, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    return texts


def unpacked(folder: Path) -> tuple[Path, Path | None]:
    """Return the session's folder and the record to take over; of a folder that is no bag, itself and none."""
    if not (folder / DECLARATION_FILE).is_file():
        return folder, None
    beside = folder.with_name(folder.resolve().name.removesuffix("-bag"))
    payload = folder / PAYLOAD if (folder / PAYLOAD).is_dir() else beside
    if not payload.is_dir() or payload == folder:
        raise AudioError(f"{folder}: a bag without its recordings yet; put the session's folder there as {PAYLOAD}/")
    record = folder / RECORD / PEOPLE
    return payload, record if record.is_file() else None


def add_record(engine: Engine, record: Path, name: str) -> list[str]:
    """Take over what people said of this session where the bag was made; return lines on what was and what was not.

    Raises
    ------
    AudioError
        If the file is not as the bag announces it, no record, or that of another session.
    """
    brought = _read(record)
    if brought.session != name:
        raise AudioError(
            f"{record}: is of session {brought.session[:200]!r}, the recordings are of {name!r}; not used"
        )
    with reading(engine) as db:
        session = find_session(db, name)
    with writing(engine) as db:
        added = add_session_record(db, brought)
    if added.marks:  # they lower doubts
        from triage.ranking.session import rank_session  # late: it loads the models' libraries

        rank_session(engine, session.id, session.a4_hz)
    lines = []
    if added.verdicts or added.choices or added.marks:
        lines.append(
            f"taken over from the bag: {added.verdicts} verdicts, {added.choices} choices of notes, "
            f"{added.marks} marks on noises"
        )
    if added.absent:
        lines.append(f"verdicts in the bag on takes that are not here are left in it: {', '.join(added.absent)}")
    if added.outdated:
        lines.append(
            f"{added.outdated} verdicts in the bag are older than what the same people said here; left in it"
        )
    return lines


def _read(record: Path) -> SessionRecord:
    bag = record.parent.parent
    try:
        if record.stat().st_size > MOST_BYTES:
            raise AudioError(f"{record}: {record.stat().st_size} bytes, far too many for what people said")
        data = record.read_bytes()
        sums = read_manifests(bag, read_declaration(bag)).tags.get(f"{RECORD}/{PEOPLE}", {})
        if sums.get("sha256") != sha256(data).hexdigest():
            raise AudioError(
                f"{record}: differs from what the bag announces; copy it again. The recordings are taken in"
            )
        return SessionRecord.model_validate_json(data)
    except OSError as error:
        raise AudioError(f"{record}: cannot be read ({error.strerror}); copy it again") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise AudioError(f"{record}: not a record of a session ({where[:200]}: {first['msg'][:200]})") from None


def _plain(value: Any) -> Any:
    """Return a value as JSON holds it; what is not a number is null, vectors are left out."""
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items() if key != "embeddings"}
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, str | int | None):
        return value
    return [_plain(one) for one in value] if isinstance(value, Iterable) else _plain(vars(value))
