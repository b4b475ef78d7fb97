"""A made table of notes over a keyboard, one row a note, for curves, ladder and repetitions."""

import numpy as np

from triage.domain.measurements import COMPARED
from triage.judge.curves import QUANTITIES
from triage.judge.note_table import NoteTable
from triage.judge.repeats import DISCRIMINATING

NAMES = tuple(dict.fromkeys((*(q.measurement for q in QUANTITIES.values()), *DISCRIMINATING)))


def keyboard(rng, dynamics=("p", "f"), pitches=24, repetitions=3, lowest=48, spread=1.0):
    """Return a horn's staccato: every dynamic 6 dB louder and 25 % brighter, every quantity with its own scatter."""
    rows = [(w, p, r) for w in range(len(dynamics)) for p in range(pitches) for r in range(repetitions)]
    dynamic, tone, turn = (np.array(column) for column in zip(*rows, strict=True))
    count = len(rows)
    step = {"level_dbfs": 6.0, "centroid_hz": 0.25}
    values = {}
    for name in NAMES:
        how = COMPARED[name]
        axis = spread * how.least_scale * rng.normal(size=count) + step.get(name, 0.0) * dynamic
        values[name] = np.exp(axis) * (1000.0 if name == "centroid_hz" else 0.4) if how.log else axis
    words = np.full(count, "horn"), np.full(count, "staccato")
    take = np.char.add(np.char.add("T", dynamic.astype(str)), np.char.add("-", turn.astype(str)))
    start_s = 2.0 * np.arange(count)
    return NoteTable(
        take,
        tone + 1,
        *words,
        np.array(dynamics)[dynamic],
        np.full(count, "close"),
        lowest + tone.astype(float),
        start_s,
        start_s + 0.4,
        start_s + 1.0,
        values,
        rng.normal(size=(count, 12)),
    )


def row_of(table, dynamic, pitch, turn=0):
    """Return the row of one note."""
    return int(np.flatnonzero((table.dynamic == dynamic) & (table.pitch == pitch))[turn])
