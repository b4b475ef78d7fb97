"""Consistency: the notes of several sessions side by side, with all that may move their measurements."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from sqlalchemy import Connection, select

from triage.domain.measurements import MEASUREMENTS
from triage.store import tables
from triage.store.notes import embeddings
from triage.store.standing import session_verdicts
from triage.store.stored import StoredSession
from triage.store.takes import find_session, sessions

session, take, note, verdict = tables.session, tables.take, tables.note, tables.verdict
MANY = 500  # ids in one question: databases bound how many values it may hold
_OF_SESSION = (session.c.name.label("session"), session.c.date.label("day"))
_OF_TAKE = (
    take.c.id.label("take_id"),
    take.c.name.label("take"),
    take.c.instrument,
    take.c.articulation,
    take.c.dynamic,
    take.c.measured_mic.label("mic"),
    take.c.setup,
    take.c.recorded_at,
    take.c.recorded_from,
)


@dataclass(frozen=True)
class NoteInSession:
    """A note with its take, its session and the day; ``verdict`` is what people's verdicts on it amount to."""

    session: str
    day: date
    take_id: int
    take: str
    instrument: str | None
    articulation: str | None
    dynamic: str | None
    mic: str | None
    setup: str | None
    recorded_at: datetime | None
    recorded_from: str | None
    number: int
    start_s: float
    end_s: float
    ring_end_s: float | None
    pitch_midi: int | None
    doubt: float | None
    measurements: Mapping[str, float | None]
    verdict: str | None

    @property
    def rejected(self) -> bool:
        """Whether a reject stands on it."""
        return self.verdict == "reject"


def chosen_sessions(db: Connection, names: Sequence[str] = ()) -> tuple[StoredSession, ...]:
    """Return the sessions of these names, or all, in order of day and name."""
    found = tuple(find_session(db, name) for name in dict.fromkeys(names)) if names else sessions(db)
    return tuple(sorted(found, key=lambda one: (one.date, one.name)))


def notes_of_sessions(
    db: Connection, session_ids: Sequence[int], measured: Sequence[str] = MEASUREMENTS
) -> tuple[NoteInSession, ...]:
    """Return the notes of these sessions in order of day, session, take and number, with these measurements."""
    verdicts = session_verdicts(db, session_ids)
    own = ("number", "start_s", "end_s", "ring_end_s", "pitch_midi", "doubt")
    columns = [note.c[name] for name in (*own, *measured)]
    query = select(*_OF_SESSION, *_OF_TAKE, *columns)
    query = query.join(take, take.c.session_id == session.c.id).join(note, note.c.take_id == take.c.id)
    query = query.where(session.c.id.in_(session_ids))
    found = []
    for row in db.execute(query.order_by(session.c.date, session.c.name, take.c.name, note.c.number)):
        values = dict(row._mapping)
        measurements = {name: values.pop(name) for name in measured}
        outcome = verdicts[row.take_id].outcome(row.number) if row.take_id in verdicts else None
        given = outcome.verdict if outcome else None
        found.append(NoteInSession(**values, measurements=measurements, verdict=given))
    return tuple(found)


def vectors(db: Connection, session_ids: Sequence[int]) -> dict[tuple[int, int], np.ndarray]:
    """Return (take id, note number) -> embedding, by the encoder that embedded most of these sessions' notes."""
    table = tables.embedding
    of_sessions = take.c.session_id.in_(session_ids)
    named = select(table.c.encoder).join(take, take.c.id == table.c.take_id).where(of_sessions)
    named = named.where(table.c.encoder.not_like("%/%"))  # NAME/evidence is kept beside a vector, and is none
    counted = Counter(db.scalars(named))
    if not counted:
        return {}
    encoder = min(counted, key=lambda name: (-counted[name], name))
    ids = {
        (row.session_id, row.name): row.id
        for row in db.execute(select(take.c.session_id, take.c.name, take.c.id).where(of_sessions))
    }
    found = {}
    for one in session_ids:
        for (name, number), vector in zip(*embeddings(db, one, encoder), strict=True):
            found[ids[one, name], number] = vector
    return found


def measured_files(db: Connection, take_ids: Sequence[int]) -> dict[int, tuple[str, str, int]]:
    """Return take id -> (session's folder, path in it, channel) of the microphone that its notes were measured on."""
    track = tables.track
    query = select(take.c.id, session.c.folder, track.c.path, track.c.channel)
    query = query.join(session, session.c.id == take.c.session_id).join(track, track.c.take_id == take.c.id)
    found: dict[int, tuple[str, str, int]] = {}
    for first in range(0, len(take_ids), MANY):
        some = query.where(take.c.id.in_(take_ids[first : first + MANY]), track.c.mic == take.c.measured_mic)
        found |= {row.id: (row.folder, row.path, row.channel) for row in db.execute(some)}
    return found
