"""Noise hits: sounds that are not the notes, found where nothing is meant to sound.

Log-mel frames of one microphone of a take (mel, frame) in dB and the take's notes go in; hits with time, kind and
level come out. After a note the level in each band only falls, down to the floor;
what rises out of that decay is a hit. Under a sounding note nothing is looked for here.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from triage.listen.logmel import HOP_S
from triage.listen.notes import Note, floor_db, top_bands

EXCESS_DB = 8.0  # mean of the top bands over the decay: beating tails reach 6 to 7 dB
LOOK_BACK = (4, 30)  # frames: the decay is the quietest smoothed frame of this long ago
GUARD_S = 0.06  # around a note's start and end: its own attack and release


@dataclass(frozen=True)
class Hit:
    """One noise event on one microphone; times in seconds from the take's start."""

    kind: str
    start_s: float
    end_s: float
    mic: str
    level_dbfs: float
    over_floor_db: float
    over_decay_db: float  # mean of its strongest bands over what was ringing
    exposed: float  # 0 masked to 1 fully audible


def find_hits(frames: np.ndarray, notes: list[Note], mic: str, band_hz: np.ndarray) -> list[Hit]:
    """Find the noise hits of one microphone of a take.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Log-mel levels in dB re full scale.
    notes : list of Note
        The take's notes in order.
    mic : str
    band_hz : ndarray, shape (mel,)
        Centre frequency of each band.

    Returns
    -------
    list of Hit
        In order of time.
    """
    floor = floor_db(frames)
    excess = excess_db(frames, floor, _free(notes, frames.shape[1]))
    strength = top_bands(excess)
    return [
        _hit(frames[:, first:last], floor, excess[:, first:last], (first * HOP_S, mic), band_hz)
        for first, last in _runs(strength > EXCESS_DB)
    ]


def exposure(over_decay_db: float) -> float:
    """Return how far a noise is exposed: 0 at 3 dB over what rings, 0.5 at 9 dB, halving every 6 dB after.

    exposed = 1 - 2^(-(x - 3) / 6); a rule of this project (no source), monotone in the band-wise excess x.
    """
    return float(1 - 2 ** (-max(0.0, over_decay_db - 3.0) / 6.0))


def over_decay(exposed: float) -> float:
    """Return the excess in dB that ``exposure`` made ``exposed`` of."""
    return float(3.0 - 6.0 * np.log2(max(1e-9, 1.0 - exposed)))


def excess_db(frames: np.ndarray, floor: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Return how far each band stands above the decay it should be in, in dB.

    The decay in a band is the lowest 30 ms mean of the last 40 to 300 ms since the last note's end, never
    below the floor plus 3 dB.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
    floor : ndarray, shape (mel,)
    free : ndarray of bool, shape (frame,)
        Where no note sounds.

    Returns
    -------
    ndarray, shape (mel, frame)
        0 where a note sounds.
    """
    smooth = 10 * np.log10(ndimage.uniform_filter1d(10 ** (frames / 10), 3, axis=1, mode="nearest"))
    known = np.where(free, smooth, np.inf)
    low, high = LOOK_BACK
    width = high - low + 1
    decay = ndimage.minimum_filter1d(known, width, axis=1, origin=(width - 1) // 2, mode="constant", cval=np.inf)
    decay = np.pad(decay, ((0, 0), (low, 0)), constant_values=np.inf)[:, : frames.shape[1]]
    reference = np.maximum(decay, floor[:, None] + 3.0)
    excess = np.where(np.isfinite(reference), smooth - reference, 0.0)
    return np.where(free, np.maximum(excess, 0.0), 0.0)


def _free(notes: list[Note], n_frames: int) -> np.ndarray:
    free = np.ones(n_frames, bool)
    for note in notes:
        free[max(0, round((note.start_s - GUARD_S) / HOP_S)) : round((note.end_s + GUARD_S) / HOP_S)] = False
    return free


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """First and past-last frame of each run of true frames, runs closer than 50 ms joined."""
    joined = ndimage.binary_closing(np.pad(flags, 6), np.ones(6, bool))[6:-6] | flags
    edges = np.flatnonzero(np.diff(np.r_[0, joined.astype(np.int8), 0]))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _hit(frames: np.ndarray, floor: np.ndarray, excess: np.ndarray, place: tuple[float, str],
         band_hz: np.ndarray) -> Hit:
    power = np.where(excess > 3.0, 10 ** (frames / 10), 0.0)  # (mel, frame)
    level = 10 * np.log10(power.sum(axis=0).max() + 1e-12)
    spectrum = power.mean(axis=1)
    under = 10 * np.log10((10 ** (floor / 10))[spectrum > 0].sum() + 1e-12)
    over = float(top_bands(excess).max())
    start_s, mic = place
    length_s = frames.shape[1] * HOP_S
    return Hit(kind_of(spectrum, band_hz, length_s), start_s, start_s + length_s, mic, float(level),
               float(level - under), over, exposure(over))


def kind_of(spectrum: np.ndarray, band_hz: np.ndarray, length_s: float) -> str:
    """Name a hit from its length and where its power lies (common practice, no source).

    Parameters
    ----------
    spectrum : ndarray, shape (mel,)
        Mean power in each band.
    band_hz : ndarray, shape (mel,)
    length_s : float

    Returns
    -------
    str
        ``click``, ``knock``, ``breath`` or ``other-noise``: only what these two numbers can tell.
    """
    total = spectrum.sum()
    centre = float((spectrum * band_hz).sum() / total) if total > 0 else 0.0
    if length_s <= 0.06 and centre > 1500.0:
        return "click"
    if length_s <= 0.25 and centre < 500.0:
        return "knock"
    if length_s >= 0.15 and centre > 1500.0 and np.count_nonzero(spectrum > 0.05 * spectrum.max()) > 20:
        return "breath"
    return "other-noise"
