"""Made sessions with verdicts, no audio: notes measured as a player's spread gives them, some of them spoilt.

``made_session`` gives the takes as the pipeline stores them and which note of which take is spoilt how.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np

from triage.analysis.encoding import encoder_in_use
from triage.domain.hit import Hit
from triage.domain.measurements import COMPARED
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.take import Take
from triage.domain.verdict import Verdict

USUAL = {"cents": 0.0, "length_s": 0.4, "body_s": 0.35, "level_dbfs": -20.0, "loudness_lufs": -22.0}
SPREAD = {"cents": 3.0, "length_s": 0.02, "body_s": 0.02, "level_dbfs": 0.8, "loudness_lufs": 0.8}
FAULTS = {"length": ("length_s", 0.12), "intonation": ("cents", 16.0), "level": ("level_dbfs", 3.5)}
NOTES, START = 6, datetime(2026, 3, 14, 9, tzinfo=UTC)


def made_session(seed: int, takes: int = 20, share: float = 0.3, size: float = 1.0, dimension: int = 12):
    """Return takes and truth: take -> (note, kind) or None."""
    rng = np.random.default_rng([11, seed])
    made, truth = [], {}
    for i in range(takes):
        name, notes, hits = f"T{i + 1:03}", [], []
        spoilt = int(rng.integers(NOTES)) if rng.random() < share else None
        kind = str(rng.choice([*FAULTS, "breath"])) if spoilt is not None else None
        truth[name] = None if spoilt is None else (spoilt + 1, kind)
        for k in range(NOTES):
            measured = {n: USUAL.get(n, 1.0) + SPREAD.get(n, 0.05) * rng.normal() for n in COMPARED}
            vector = 0.1 * rng.normal(size=dimension)
            if k == spoilt and kind in FAULTS:
                which, by = FAULTS[kind]
                measured[which] += size * by * rng.choice([-1, 1])
                vector[:3] += 0.3 * size
            if k == spoilt and kind == "breath":
                at_s = k + 0.6
                hits.append(Hit("breath", at_s, at_s + 0.2, "close", ("close",), -55.0, 15.0, 0.8, k + 1))
            pitch = 50 + (i * NOTES + k) // 4 % 24
            notes.append(
                Note(
                    k + 1,
                    float(k),
                    k + 0.45,
                    k + 0.9,
                    pitch,
                    pitch,
                    measured,
                    {encoder_in_use().name: vector.astype(np.float32)},
                )
            )
        made.append(
            Take(
                name,
                f"{seed}-{i}",
                "horn",
                "staccato",
                "mf",
                duration_s=float(NOTES),
                notes=tuple(notes),
                hits=tuple(hits),
                measured_mic="close",
            )
        )
    return made, truth


def verdicts_of(truth, rng, label_noise: float = 0.0, by: str = "anna", named: float = 0.8):
    """Return one verdict a take, as the truth is, some of them inverted."""
    verdicts = []
    for i, (take, fault) in enumerate(truth.items()):
        reject = (fault is not None) != bool(rng.random() < label_noise)
        note, reason = fault if fault and reject and rng.random() < named else (None, None)
        at = START + timedelta(seconds=30 * i)
        verdicts.append(Verdict(take, "reject" if reject else "accept", by, at, note, reason))
    return verdicts


def record_of(name: str, day: int = 14) -> Session:
    """Return a session's description."""
    return Session(name, f"/nowhere/{name}", date(2026, 3, day), 48_000, 442.0, "close")
