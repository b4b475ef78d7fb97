"""A store with many takes, made without recordings: numbers at random, pictures for the first takes of a session."""

import json
import tempfile
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from sqlalchemy import Connection, Engine, Table

from tests.desk.server.evening import RATE_HZ, preview_of
from tests.postgres import Server
from triage.domain.measurements import MEASUREMENTS, REGISTRY
from triage.domain.session import Session
from triage.store import tables
from triage.store.engine import writing
from triage.store.takes import save_session

MICS = ("close", "spot", "main", "outrigger", "room")
INSTRUMENTS, ARTICULATIONS, DYNAMICS = ("horn", "tuba", "oboe", "flute"), ("sustain", "staccato"), ("pp", "mf", "ff")
CELLS = [(one, way, dynamic) for one in INSTRUMENTS for way in ARTICULATIONS for dynamic in DYNAMICS]
NOTES, SPOTS, HITS = 10, 3, 2  # a take
DRAWN = 20  # takes of a session with pictures and sound
MEASUREMENT_OF = {one.name: one for one in REGISTRY}
NOW = datetime(2026, 3, 14, tzinfo=UTC)


def databases(names: Sequence[str]) -> Iterator[tuple[str, str, Path]]:
    """Yield (name, address, folder) of an empty database of each kind, one after another."""
    server = Server()
    try:
        for name in names:
            with tempfile.TemporaryDirectory() as home:
                address = f"sqlite:///{home}/store.db" if name == "sqlite" else server.empty_database()
                yield name, address, Path(home) / "day"
    finally:
        server.stop()


def fill(engine: Engine, folder: Path, n_sessions: int, n_takes: int) -> None:
    """Store ``n_takes`` takes in all, evenly over the sessions."""
    rng = np.random.default_rng(0)
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    samples = rng.uniform(-0.1, 0.1, 40 * RATE_HZ)
    soundfile.write(folder / "audio" / "take.wav", samples, RATE_HZ, subtype="PCM_24")
    drawn = preview_of("close", np.round(samples * 2**23).astype(np.int32))
    each, next_id = n_takes // n_sessions, 1
    for n in range(n_sessions):
        with writing(engine) as db:
            record = Session(f"day {n}", str(folder), date(2026, 3, 1), RATE_HZ, 442.0, "close")
            session_id = save_session(db, record)
            _takes(db, rng, session_id, range(next_id, next_id + each))
            rows = [{"take_id": next_id + k, **vars(drawn)} for k in range(DRAWN)]
            _put(db, tables.preview, rows)
        next_id += each
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as db:
            db.exec_driver_sql("VACUUM ANALYZE")
            for table in ("take", "track", "hit", "spot", "verdict"):
                db.exec_driver_sql(f"SELECT setval('{table}_id_seq', 10000000)")


def _takes(db: Connection, rng: np.random.Generator, session_id: int, ids: range) -> None:
    takes, rows = [], {name: [] for name in ("track", "note", "spot", "hit", "floor", "verdict")}
    doubts = np.sort(rng.beta(0.6, 3.0, len(ids)))[::-1].tolist()
    orders, ranks = rng.random(len(ids)).tolist(), (rng.permutation(len(ids)) + 1).tolist()
    for rank, (take_id, doubt) in enumerate(zip(ids, doubts, strict=True), 1):
        instrument, articulation, dynamic = CELLS[take_id % len(CELLS)]
        heard = rank % 5 == 0  # a fifth has been heard
        pitches = list(range(40 + 10 * (take_id // len(CELLS) % 5), 50 + 10 * (take_id // len(CELLS) % 5)))
        takes.append(
            {
                "id": take_id,
                "session_id": session_id,
                "name": f"T{take_id:05}",
                "instrument": instrument,
                "articulation": articulation,
                "dynamic": dynamic,
                "expected_pitches": pitches,
                "repetitions": 2 + take_id % 3,
                "duration_s": 40.0,
                "fingerprint": "f",
                "analysed": True,
                "measured_mic": "close",
                "doubt": doubt,
                "listen_s": 6 * doubt,
                "rank": rank,
                "audio_digest": "s",
                "sheet_row_digest": "m",
                "heard": heard,
                "settled": heard,
                "disputed": False,
                "random_order": orders[rank - 1],
                "learning_rank": ranks[rank - 1],
            }
        )
        rows["track"] += [
            {
                "take_id": take_id,
                "mic": mic,
                "path": "audio/take.wav",
                "channel": 0,
                "sample_rate_hz": RATE_HZ,
                "bit_depth": 24,
                "frames": 40 * RATE_HZ,
            }
            for mic in MICS
        ]
        rows["floor"] += [{"take_id": take_id, "mic": mic, "level_dbfs": -80.0} for mic in MICS]
        values = _measured(rng, np.array(pitches))
        rows["note"] += [
            {
                "take_id": take_id,
                "number": k + 1,
                "start_s": 4.0 * k,
                "end_s": 4.0 * k + 1.5,
                "ring_end_s": 4.0 * k + 3,
                "pitch_midi": pitches[k],
                "sheet_midi": pitches[k],
                "doubt": 0.9 if pitches[k] % 4 == 0 else doubt / 3,  # some cells lack clean notes
                **dict(zip(MEASUREMENTS, values[k].tolist(), strict=True)),
            }
            for k in range(NOTES)
        ]
        rows["spot"] += [
            {
                "take_id": take_id,
                "start_s": 4.0 * k,
                "end_s": 4.0 * k + 1,
                "note": k + 1,
                "kind": "length",
                "doubt": doubt / (k + 1),
                "found": 0.6,
                "expected": 0.4,
                "unit": "s",
                "why": "0.21 s longer than its neighbours",
            }
            for k in range(SPOTS)
        ]
        rows["hit"] += [
            {
                "take_id": take_id,
                "kind": "creak",
                "start_s": 3.0 + k,
                "end_s": 3.2 + k,
                "mic": "room",
                "mics": ["room"],
                "level_dbfs": -60.0,
                "over_floor_db": 12.0,
                "exposed": 0.8,
                "note": 1,
            }
            for k in range(HITS)
        ]
        if heard:
            rows["verdict"].append({"take_id": take_id, "verdict": "accept", "by": f"editor {rank % 6}", "at": NOW})
    _put(db, tables.take, takes)
    for name, found in rows.items():
        _put(db, getattr(tables, name), found)


def _measured(rng: np.random.Generator, pitch: np.ndarray) -> np.ndarray:
    """Return measurements of a take's notes at random, with a take of its own and a curve over the keyboard."""
    off = rng.normal(0, 1, (len(pitch), len(MEASUREMENTS))) + rng.normal(0, 0.5, len(MEASUREMENTS))
    off += (np.sin(pitch / 8.0))[:, None]
    return np.where([MEASUREMENT_OF[name].log for name in MEASUREMENTS], np.exp(0.1 * off), off)


def _put(db: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    """Insert rows past SQLAlchemy, which takes ten times as long for a million."""
    if not rows:
        return
    columns = list(rows[0])
    plain = [tuple(_plain(row[name]) for name in columns) for row in rows]
    names = ", ".join(f'"{name}"' for name in columns)
    if db.dialect.name == "sqlite":
        marks = ", ".join("?" for _ in columns)
        db.exec_driver_sql(f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})', plain)
        return
    with db.connection.cursor() as cursor, cursor.copy(f'COPY "{table.name}" ({names}) FROM STDIN') as copy:
        for row in plain:
            copy.write_row(row)


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return json.dumps(value)
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M:%S.%f")
    return value
