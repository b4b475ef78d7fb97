"""Endings: how far the end of a file lies over the microphone's background, and how fast it fell there.

Log-mel frames of one microphone in dB (mel, frame) go in. A tail that was let ring ends at the background; one that
was cut off ends above it, in the bands of the note.
"""

from typing import NamedTuple

import numpy as np

from triage.listen.logmel import HOP_S, power_of
from triage.listen.notes import floor_db

WHOLE = 3  # last frames that reach beyond the file's end: left out
LAST = 5  # frames, 50 ms
EARLIER = 25  # frames before those: 0.25 s
BANDS = 8  # those that stand highest over their background: a tenth of them, where a note has its partials
LEAST_FRAMES = 100


class Ending(NamedTuple):
    """The last 50 ms of a track in the bands that stand out most: dB over their background, dB/s that they fell."""

    over_db: float
    fall_db_s: float


def ending(frames: np.ndarray) -> Ending | None:
    """Return how a track ends.

    over = mean over the BANDS highest of L_end - L_background; fall = (L_0.25 s earlier - L_end) / 0.25 s, same bands

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Levels in dB re full scale.

    Returns
    -------
    Ending or None
        None for a track shorter than 1 s.
    """
    count = frames.shape[1] - WHOLE
    if count < LEAST_FRAMES:
        return None
    end_db, earlier_db = (_mean_db(frames[:, at - LAST : at]) for at in (count, count - EARLIER))
    over_db = end_db - floor_db(frames)
    highest = np.argpartition(over_db, -BANDS)[-BANDS:]
    fall_db = float((earlier_db - end_db)[highest].mean())
    return Ending(float(over_db[highest].mean()), fall_db / (EARLIER * HOP_S))


def _mean_db(frames: np.ndarray) -> np.ndarray:
    return np.asarray(10 * np.log10(power_of(frames).mean(axis=1) + 1e-20))
