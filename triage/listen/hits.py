"""Noise hits: sounds that are not the notes, found where nothing is meant to sound.

Log-mel frames of one microphone of a take (mel, frame) in dB and the take's notes go in; hits with time, kind and
level come out. After a note the level in each part of the spectrum only falls, down to the floor; what rises out of
that decay is a hit. Under a sounding note nothing is looked for here.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from triage.listen.logmel import BANDS_OVER_RMS_DB, HOP_S, N_MELS
from triage.listen.notes import Note, floor_db

GROUP = 4  # mel bands together: 20 parts of the spectrum, each steady enough to show 3 dB
MEAN_FRAMES = 6
TOP_GROUPS = 3  # a thump fills few
EXCESS_DB = 4.5  # mean of the top groups over the decay and its margins
MARGIN_DB = 2.0  # over the floor
TAIL_DB = 2.0  # more over a decay, for tails beat
LOOK_BACK = (5, 30)  # frames: the decay is the quietest mean of this long ago
LONGEST = 500  # frames that a noise goes on after its first 0.3 s
FADE_BACK = (5, 20)
SURE_DB = 3.0  # over a tail that fades and comes back
STEEP_DB = 0.6  # a frame: a tail of 1 s, where there is none to learn from
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
    excess = excess_db(frames, _free(notes, frames.shape[1]))
    strength = _top(excess)
    return [
        _hit(frames[:, first:last], floor, excess[:, first:last], (first * HOP_S, mic), band_hz)
        for first, last in _runs(strength > EXCESS_DB)
    ]


def exposure(over_decay_db: float) -> float:
    """Return how far a noise is exposed: 0 at 2 dB over what rings, a half at 6 dB, halving every 4 dB after.

    exposed = 1 - 2^(-(x - 2) / 4); a rule of this project (no source), monotone in the band-wise excess x.
    """
    return float(1 - 2 ** (-max(0.0, over_decay_db - 2.0) / 4.0))


def over_decay(exposed: float) -> float:
    """Return the excess in dB that ``exposure`` made ``exposed`` of."""
    return float(2.0 - 4.0 * np.log2(max(1e-9, 1.0 - exposed)))


def excess_db(frames: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Return how far each part of the spectrum stands above the decay it should be in, in dB.

    excess = L - max(D, F) - margin, at least 0: L the level of GROUP bands over 60 ms, D the lowest such level of
    the last 50 to 300 ms since the last note's end, F the floor (fifth percentile of 0.2 s means). A longer noise is
    held against what was before it. Rises that the fading of the tail explains are 0.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Levels in dB.
    free : ndarray of bool, shape (frame,)
        Where no note sounds.

    Returns
    -------
    ndarray, shape (mel / GROUP, frame)
        0 where a note sounds.
    """
    power = (10 ** (frames / 10)).reshape(N_MELS // GROUP, GROUP, -1).sum(axis=1)
    level = 10 * np.log10(ndimage.uniform_filter1d(power, MEAN_FRAMES, axis=1, mode="nearest") + 1e-13)
    smooth = ndimage.uniform_filter1d(power, 21, axis=1, mode="nearest")
    floor = 10 * np.log10(np.percentile(smooth, 5, axis=1) + 1e-13)
    low, high = LOOK_BACK
    width = high - low + 1
    known = np.where(free, level, np.inf)
    decay = ndimage.minimum_filter1d(known, width, axis=1, origin=(width - 1) // 2, mode="constant", cval=np.inf)
    decay = np.pad(decay, ((0, 0), (low, 0)), constant_values=np.inf)[:, : frames.shape[1]]
    ringing = decay > floor[:, None] + 4.0
    reference = np.maximum(decay + TAIL_DB * ringing, floor[:, None]) + MARGIN_DB
    excess = np.where(free & np.isfinite(reference), np.maximum(level - reference, 0.0), 0.0)
    fading = _over_fading(level, floor, free)
    for first, last in _runs(_top(excess) > EXCESS_DB):
        if _top(fading[:, first:last]).max() < SURE_DB:
            excess[:, first:last] = 0.0
            continue
        # Longer than the look-back a noise would become its own decay: it is held against what was before it.
        held = np.maximum(level[:, last : last + LONGEST] - reference[:, first : first + 1], 0.0)
        on = (_top(held) > EXCESS_DB) & free[last : last + LONGEST]
        more = len(on) if on.all() else int(on.argmin())
        excess[:, last : last + more] = np.maximum(excess[:, last : last + more], held[:, :more])
    return excess


def _over_fading(level: np.ndarray, floor: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Return how far each part stands above all of the last 50 to 200 ms, less what the tail falls in that time.

    A partial's tail in a room fades and comes back (its amplitude is Rayleigh distributed): against the lowest of the
    last frames alone every return would be a hit.
    """
    low, high = FADE_BACK
    fallen = np.arange(level.shape[1]) * _fall(level, floor, free)[:, None]
    held = np.where(free, level + fallen, -np.inf)
    width = high - low + 1
    highest = ndimage.maximum_filter1d(held, width, axis=1, origin=(width - 1) // 2, mode="constant", cval=-np.inf)
    highest = np.pad(highest, ((0, 0), (low, 0)), constant_values=-np.inf)[:, : level.shape[1]] - fallen
    over = level - np.maximum(highest, floor[:, None]) - MARGIN_DB
    return np.where(free & np.isfinite(highest), np.maximum(over, 0.0), 0.0)


def _fall(level: np.ndarray, floor: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Return the usual fall of each part in the take's tails, in dB a frame [shape=(mel / GROUP,)]."""
    reach = LOOK_BACK[1]
    if level.shape[1] <= reach:
        return np.full(len(level), STEEP_DB)
    tail = np.convolve(free, np.ones(reach + 1), "valid") > reach + 0.5  # no note in between
    tails = tail & (level[:, reach:] > floor[:, None] + 8.0)
    falls = np.where(tails, (level[:, :-reach] - level[:, reach:]) / reach, np.nan)
    usual = np.median(falls[tails]) if tails.sum() > 20 else STEEP_DB
    each = [np.median(fall[known]) if known.sum() > 20 else usual for fall, known in zip(falls, tails, strict=True)]
    return np.maximum(each, 0.05)


def _top(excess: np.ndarray) -> np.ndarray:
    return np.sort(excess, axis=0)[-TOP_GROUPS:].mean(axis=0)


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
    power = np.where(np.repeat(excess, GROUP, axis=0) > 1.0, 10 ** (frames / 10), 0.0)  # (mel, frame)
    level = 10 * np.log10(power.sum(axis=0).max() + 1e-12)
    spectrum = power.mean(axis=1)
    under = 10 * np.log10((10 ** (floor / 10))[spectrum > 0].sum() + 1e-12)
    over = float(_top(excess).max())
    start_s, mic = place
    length_s = frames.shape[1] * HOP_S
    kind, level_dbfs = kind_of(spectrum, band_hz, length_s), float(level - BANDS_OVER_RMS_DB)
    return Hit(kind, start_s, start_s + length_s, mic, level_dbfs, float(level - under), over, exposure(over))


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
