"""The ladder of dynamics: is each step louder and brighter at every pitch, and where do two dynamics touch?

A table of notes goes in. Out: a ``Rung`` for every pitch that two neighbouring dynamics share, on one microphone. A
dynamic changes the timbre as much as the level, so a step must show in the brightness as well as in the level.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from triage.judge.curves import measured
from triage.judge.note_table import NoteTable

DYNAMICS = ("ppp", "pp", "p", "mp", "mf", "f", "ff", "fff")
RISES, TOUCHES, FALLS = "rises", "touches", "falls"
MOST_WRONG = 0.1  # of the pairs of a louder and a softer note
# The least step that counts, on the compared axis: a just noticeable difference each (common practice, no source).
LEAST = {"level": 1.0, "brightness": 0.04}


@dataclass(frozen=True)
class Rung:
    """One step of the ladder at one pitch; ``upper`` and ``lower`` are rows of the table."""

    instrument: str
    articulation: str
    mic: str
    softer: str
    louder: str
    pitch: float
    level_db: float  # median of the louder dynamic less that of the softer
    brighter: float  # ratio of their centroids
    level: str  # rises, touches or falls
    brightness: str
    lower: tuple[int, ...]
    upper: tuple[int, ...]


def ladder(table: NoteTable, leave_out: np.ndarray | None = None) -> list[Rung]:
    """Return every step between neighbouring dynamics at every pitch that both have.

    rises: the medians differ by a noticeable step (1 dB; 4 % of the centroid) and of all pairs of a louder and a
    softer note at most one in ten is the wrong way round (with three repetitions each: none); falls: the median is
    lower by that step; touches: anything between.

    Parameters
    ----------
    table : NoteTable
        Notes whose dynamic is none of DYNAMICS are skipped.
    leave_out : ndarray of bool, shape (note,), optional
        Notes to leave out, such as outliers.

    Returns
    -------
    list of Rung
        By instrument, articulation, microphone, dynamic and pitch.
    """
    values = {name: measured(table, name) for name in LEAST}
    use = np.isfinite(table.pitch) & np.isfinite(values["level"]) & np.isfinite(values["brightness"])
    use &= ~leave_out if leave_out is not None else True
    part = table.cohort("instrument", "articulation", "mic")
    rungs = []
    for label in np.unique(part[use]):
        mine = use & (part == label)
        here = [word for word in DYNAMICS if (mine & (table.dynamic == word)).any()]
        for softer, louder in pairwise(here):
            rungs += _rungs(table, values, mine & (table.dynamic == softer), mine & (table.dynamic == louder))
    return rungs


def _rungs(table: NoteTable, values: dict[str, np.ndarray], soft: np.ndarray, loud: np.ndarray) -> list[Rung]:
    tone = np.round(table.pitch)
    rungs = []
    for pitch in np.intersect1d(tone[soft], tone[loud]):
        lower, upper = np.flatnonzero(soft & (tone == pitch)), np.flatnonzero(loud & (tone == pitch))
        step = {name: float(np.median(of[upper]) - np.median(of[lower])) for name, of in values.items()}
        state = {name: _state(name, step[name], values[name][lower], values[name][upper]) for name in LEAST}
        first, last = lower[0], upper[0]
        rungs.append(
            Rung(
                str(table.instrument[first]),
                str(table.articulation[first]),
                str(table.mic[first]),
                str(table.dynamic[first]),
                str(table.dynamic[last]),
                float(pitch),
                step["level"],
                float(np.exp(step["brightness"])),
                state["level"],
                state["brightness"],
                tuple(map(int, lower)),
                tuple(map(int, upper)),
            )
        )
    return rungs


def _state(name: str, step: float, lower: np.ndarray, upper: np.ndarray) -> str:
    if step <= -LEAST[name]:
        return FALLS
    wrong = float((upper[:, None] <= lower).mean())
    return RISES if step >= LEAST[name] and wrong <= MOST_WRONG else TOUCHES
