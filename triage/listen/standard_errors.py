"""Standard errors: how closely a note's own frames tell what was measured of it.

Measurements and the pitch contour of one note go in, standard errors by the same names come out, in the same units;
NaN where nothing can honestly be said. They come from what is no part of the playing: the scatter between frames of
the contour, and the background under the level at the place that was measured. So a distant microphone or a short
note widens them, and a fault of the playing hardly does.
"""

import math
from collections.abc import Mapping

import numpy as np

from triage.listen.pitch import PitchTrack

DB_OF_RATIO = 20 / math.log(10)  # dB of a small change of amplitude, relative
APART = 3  # steps of 10 ms between frames of a contour whose windows hardly overlap
BACKGROUND_HZ = 500.0  # bandwidth that a room's falling background amounts to (common practice, no source)
FRAME_S, HELD_S = 0.01, 0.05  # that a level is the mean over, and that one is held
ATTACK_DB, ATTACK_FOOT_DB = 13.0, 14.0  # from 20 to 90 % of the amplitude; 20 % below the top
FALL_DB = 20.0  # that a release is timed over, and a length ends at
ATTACKS = ("attack_20_db", "attack_50_db", "attack_100_db")


def of_pitch(contour: PitchTrack, from_s: float, to_s: float) -> dict[str, float]:
    """Return the errors of what is read from the contour between two times.

    sigma = 1.4826 median |c(t - 30 ms) - 2 c(t) + c(t + 30 ms)| / sqrt(6), c in cents, of n / 3 independent frames
    over T: median pitch sigma / sqrt(n), slope sigma sqrt(12 / n) / T, spread sigma / sqrt(2 n); the end against the
    middle from a fifth and 0.35 of the frames.
    """
    inside = (contour.time_s >= from_s) & (contour.time_s <= to_s)
    with np.errstate(invalid="ignore"):
        cents = 1200 * np.log2(contour.f0_hz[inside])
    bend = cents[2 * APART :] - 2 * cents[APART:-APART] + cents[: -2 * APART] if cents.size > 2 * APART else cents[:0]
    bend = bend[np.isfinite(bend)]
    if bend.size < APART:
        return {}
    sigma, n = 1.4826 * float(np.median(np.abs(bend))) / math.sqrt(6), np.isfinite(cents).sum() / APART
    return {
        "cents": sigma / math.sqrt(n),
        "cents_drift": sigma * math.sqrt(12 / n) / (to_s - from_s),
        "end_cents": sigma * math.sqrt((1 / 0.2 + 1 / 0.35) / n),
        "cents_spread": sigma / math.sqrt(2 * n),
    }


def of_level(found: Mapping[str, float], floor_dbfs: float) -> dict[str, float]:
    """Return the errors of levels and times that come from the background under them.

    A background of bandwidth B that lies d dB under the level of T seconds moves it by (20 / ln 10) 10^(-d / 20) /
    sqrt(2 B T) dB. Times lie where a level crosses a mark: their error is the level's there over its slope.
    """
    level, release_s = found["level_dbfs"], found["release_s"]
    held = _moved_db(level - floor_dbfs, HELD_S)
    early = {name: math.hypot(_moved_db(level + found[name] - floor_dbfs), held) for name in ATTACKS}
    fall_s = _moved_db(level - FALL_DB - floor_dbfs) * release_s / FALL_DB
    return early | {
        "level_dbfs": held,
        "loudness_lufs": held,
        "attack_s": _moved_db(level - ATTACK_FOOT_DB - floor_dbfs) * found["attack_s"] / ATTACK_DB,
        "attack_overshoot_db": math.sqrt(2) * held,
        "level_slope_db_s": held * math.sqrt(12) / found["length_s"] if found["length_s"] > 0 else math.nan,
        "length_s": fall_s,
        "body_s": fall_s,
        "release_s": fall_s,
    }


def _moved_db(over_db: float, span_s: float = FRAME_S) -> float:
    """Return how far a background so far below a level moves it, in dB; 6 dB at most."""
    moved = DB_OF_RATIO * 10 ** (-over_db / 20) / math.sqrt(2 * BACKGROUND_HZ * span_s)
    return min(moved, 6.0) if math.isfinite(over_db) else math.nan
