"""A stored session with one creaking chair: twelve takes of five notes, two microphones, one rising floor."""

from contextlib import contextmanager
from datetime import UTC, date, datetime

from sqlalchemy import Connection

from triage.domain.hit import Hit
from triage.domain.measurements import MEASUREMENTS
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.take import NoiseFloor, Take, Track
from triage.ranking.session import rank_session
from triage.store.engine import open_store, reading, writing
from triage.store.takes import find_session, save_session, save_take

TAKES, NOTES = 12, 5
CHAIR = "room:creak:after-3"
OCTAVES = (-62.0, -70.0, -78.0, -84.0, -88.0, -90.0, -92.0, -93.0, -94.0, -95.0)


def save_noisy(db: Connection, folder: str = "mill", name: str = "mill-day2-b", **session: object) -> int:
    """Store the session; ``session`` goes into its record."""
    record = Session(name, folder, date(2026, 3, 14), 48_000, 442.0, "close", **session)
    session_id = save_session(db, record, datetime(2026, 3, 14, 20, tzinfo=UTC))
    for number in range(1, TAKES + 1):
        save_take(db, session_id, take(number))
    return session_id


def take(number: int, level_dbfs: float = -50.0, fingerprint: str = "f") -> Take:
    """Return one take; from the third on the chair creaks after its third note."""
    notes = [Note(n + 1, 1.0 + 2 * n, 2.0 + 2 * n, 2.8 + 2 * n, 54, 54, values(n)) for n in range(NOTES)]
    breath_s = 2.37 + 2 * (2 * number % NOTES)  # after any note, neither as it ends nor shortly before the next
    hits = [Hit("breath", breath_s, breath_s + 0.2, "close", ("close",), -60.0, 9.0, 0.3, 1)]
    if number > 2:
        at_s = 6.3 + 0.02 * number
        level = level_dbfs + number / 10
        hits.append(Hit("creak", at_s, at_s + 0.4, "room", ("room", "close"), level, 20.0, 0.9, 3))
    if number == 5:
        hits.append(Hit("dropout", 3.0, 3.01, "close", ("close",), None, None, 1.0, 1))
    floors = (
        NoiseFloor("close", -75.0, a_dbfs=-80.0 + number % 2, octaves_dbfs=OCTAVES, note_dbfs=-25.0),
        NoiseFloor("room", -70.0, a_dbfs=-78.0 + 0.5 * number, octaves_dbfs=OCTAVES, note_dbfs=-30.0),
    )
    tracks = tuple(Track(mic, f"audio/T{number:03}_{mic}.wav", 0, 48_000) for mic in ("close", "room"))
    return Take(
        f"T{number:03}",
        fingerprint,
        "horn",
        "staccato",
        "mf",
        expected_pitches=(54,),
        repetitions=NOTES,
        duration_s=12.0,
        tracks=tracks,
        notes=tuple(notes),
        hits=tuple(hits),
        floors=floors,
        measured_mic="close",
    )


def values(n: int) -> dict[str, float]:
    """Return unremarkable measurements."""
    return dict.fromkeys(MEASUREMENTS, 1.0 + 0.01 * n) | {"f0_hz": 186.0, "level_dbfs": -25.0, "length_s": 1.0}


@contextmanager
def ranked_store(address):
    """Give the engine of a store with the noisy session in it, ranked, and that session."""
    engine = open_store(address)
    with writing(engine) as db:
        save_noisy(db)
    with reading(engine) as db:
        session = find_session(db)
    rank_session(engine, session.id, session.a4_hz)
    yield engine, session
    engine.dispose()
