"""What learning costs at the size of a library: ``python -m tests.bench.learning [--takes N] [--store URL]``.

A store of 20 sessions is filled with takes of ten notes, measurements and vectors drawn at random, some of them
spoilt, a verdict on every take. Timed: `triage retrain` on all verdicts (with ``--thorough`` also the whole model),
and new doubts for all notes when what was learnt is put to use, no audio touched. Beside them, in the same run,
products of a session's features with its own transpose as a measure of the machine.
"""

import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Any

import numpy as np
import typer
from sqlalchemy import Connection, Engine, insert

from tests.training.synthetic_sessions import SPREAD, USUAL, record_of
from training.retraining import retrained
from training.selection import RetrainingConfig
from training.taste_retraining import learn_taste
from triage.analysis.encoding import encoder_in_use
from triage.config import read_toml, shipped
from triage.domain.measurements import COMPARED, MEASUREMENTS
from triage.ranking.session import features_of_session, judge_all_sessions_again, rank_session
from triage.ranking.session_features import SessionFeatures
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.models import models, use_model
from triage.store.takes import random_order_of, save_session, sessions

SESSIONS, NOTES, SPOILT, SLIPS, DIMENSION, CHUNK = 20, 10, 0.15, 0.05, 128, 2_000
CELLS = [(one, way, dynamic) for one in ("horn", "tuba") for way in ("sustain", "staccato") for dynamic in ("p", "f")]
NOW = datetime(2026, 3, 14, tzinfo=UTC)


def fill(engine: Engine, n_takes: int) -> None:
    """Store ``n_takes`` takes in all with their notes, vectors, hits and verdicts."""
    rng = np.random.default_rng(4)
    for n in range(SESSIONS):
        with writing(engine) as db:
            session_id = save_session(db, record_of(f"day {n:02}"), NOW)
            first = n * (n_takes // SESSIONS) + 1
            _session(db, rng, session_id, range(first, first + n_takes // SESSIONS))


def _session(db: Connection, rng: np.random.Generator, session_id: int, ids: range) -> None:
    rows = {name: [] for name in ("take", "note", "embedding", "hit", "floor", "track", "verdict")}
    shape = (len(ids), NOTES)
    values = {one: USUAL.get(one, 1.0) + SPREAD.get(one, 0.05) * rng.normal(size=shape) for one in COMPARED}
    vectors = (0.1 * rng.normal(size=(*shape, DIMENSION))).astype("<f4")
    for k, take_id in enumerate(ids):
        spoilt, kind = int(rng.integers(NOTES)), ("length", "intonation", "breath")[rng.integers(3)]
        bad = bool(rng.random() < SPOILT)
        if bad and kind != "breath":
            which, by = {"length": ("length_s", 0.12), "intonation": ("cents", 16.0)}[kind]
            values[which][k, spoilt] += by
            vectors[k, spoilt, :3] += 0.3
        rows["take"].append(_take(session_id, take_id))
        rows["track"].append({"take_id": take_id, "mic": "close", "path": f"{take_id}.wav", "channel": 0})
        rows["floor"] += [{"take_id": take_id, "mic": mic, "level_dbfs": -80.0} for mic in ("close", "room")]
        measured = [{name: float(each[k, i]) for name, each in values.items()} for i in range(NOTES)]
        rows["note"] += [_note(take_id, i, 50 + (k * 3 + i) % 24, own) for i, own in enumerate(measured)]
        rows["embedding"] += [_vector(take_id, i, vectors[k, i]) for i in range(NOTES)]
        if (bad and kind == "breath") or rng.random() < 0.05:
            rows["hit"].append(_hit(take_id, spoilt, 0.8 if bad else 0.2))
        reject = bad != bool(rng.random() < SLIPS)
        named = bad and reject and rng.random() < 0.5
        rows["verdict"].append(
            {
                "take_id": take_id,
                "verdict": "reject" if reject else "accept",
                "by": "anna",
                "at": NOW,
                "stands": True,
                "note": spoilt + 1 if named else None,
                "reason": kind if named else None,
            }
        )
    for name, found in rows.items():
        for first in range(0, len(found), CHUNK):
            db.execute(insert(getattr(tables, name)), found[first : first + CHUNK])


def _take(session_id: int, take_id: int) -> dict[str, Any]:
    instrument, articulation, dynamic = CELLS[take_id % len(CELLS)]
    return {
        "id": take_id,
        "session_id": session_id,
        "name": f"T{take_id:05}",
        "instrument": instrument,
        "articulation": articulation,
        "dynamic": dynamic,
        "expected_pitches": [],
        "duration_s": 4.0 * NOTES,
        "fingerprint": "f",
        "analysed": True,
        "measured_mic": "close",
        "audio_digest": "s",
        "sheet_row_digest": "m",
        "heard": True,
        "settled": True,
        "random_order": random_order_of(session_id, f"T{take_id:05}"),
    }


def _note(take_id: int, i: int, pitch: int, measured: dict[str, float]) -> dict[str, Any]:
    f0_hz = 440 * 2 ** ((pitch - 69) / 12 + measured["cents"] / 1200)
    times = {"start_s": 4.0 * i, "end_s": 4.0 * i + 1.5, "ring_end_s": 4.0 * i + 3}
    return {"take_id": take_id, "number": i + 1, **times, **dict.fromkeys(MEASUREMENTS), **measured, "f0_hz": f0_hz}


def _vector(take_id: int, i: int, vector: np.ndarray) -> dict[str, Any]:
    return {
        "take_id": take_id,
        "number": i + 1,
        "encoder": encoder_in_use().name,
        "dimension": DIMENSION,
        "vector": vector.tobytes(),
    }


def _hit(take_id: int, note: int, exposed: float) -> dict[str, Any]:
    return {
        "take_id": take_id,
        "kind": "breath",
        "start_s": 4.0 * note + 2,
        "end_s": 4.0 * note + 2.2,
        "mic": "close",
        "mics": ["close"],
        "level_dbfs": -55.0,
        "over_floor_db": 15.0,
        "exposed": exposed,
        "note": note + 1,
    }


def timed(what: str, work: Callable[[], Any]) -> float:
    """Run something, print how long it took and how much of the processor, and return the latter."""
    begin, own = time.perf_counter(), time.process_time()
    work()
    spent = time.process_time() - own
    print(f"{what}: {time.perf_counter() - begin:.1f} s, {spent:.1f} s of processor time", flush=True)
    return spent


def reference(features: SessionFeatures) -> float:
    """Return the seconds of ten products of a session's features with its own transpose."""
    begin = time.process_time()
    for _ in range(10):
        features.notes.matrix @ features.notes.matrix.T
    return time.process_time() - begin


def main(
    takes: Annotated[int, typer.Option(help="Takes in all")] = 20_000,
    store: Annotated[str | None, typer.Option(help="An empty database; else a SQLite file, thrown away")] = None,
    thorough: Annotated[bool, typer.Option("--thorough", help="A whole model too")] = False,
) -> None:
    """Fill a store, retrain on it, put what was learnt to use, and print what each cost."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_store(store or f"sqlite:///{folder}/bench.db")
        fill(engine, takes)
        with reading(engine) as db:
            every = sessions(db)
        judged = f"{takes * NOTES} notes"

        def rank_all() -> None:
            for one in every:
                rank_session(engine, one.id, one.a4_hz)

        first = timed(f"features built and judged {judged}", rank_all)
        unit = reference(features_of_session(engine, every[0]))
        trained = timed(f"tolerances of {takes} verdicts", lambda: learn_taste(engine, "anna", use=False))
        whole = 0.0
        if thorough:
            config = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)
            whole = timed(f"a whole model of {takes} verdicts", lambda: retrained(engine, config, "anna", use=False))
        with writing(engine) as db:
            use_model(db, models(db)[0].version, NOW, "anna")
        anew = timed(f"new doubts for {judged}", lambda: list(judge_all_sessions_again(engine)))
        times = f"gathering {first / unit:.0f}, tolerances {trained / unit:.0f}, whole {whole / unit:.0f}"
        print(
            f"in units of the reference ({unit:.2f} s): {times}, new doubts {anew / unit:.0f}; aims: tolerances 20 s"
        )
        engine.dispose()


if __name__ == "__main__":
    typer.run(main)
