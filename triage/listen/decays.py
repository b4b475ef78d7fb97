"""Decays: how far each part of the spectrum stands above the fall that it should be in.

Log-mel frames (mel, frame) in dB go in, joined to parts of GROUP bands; what rises out of the notes' tails and of the
floor comes out, (part, frame) in dB. Where a note sounds nothing is said here.
"""

import numpy as np
from scipy import ndimage

from triage.listen.logmel import N_MELS

GROUP = 4  # mel bands together: 20 parts of the spectrum, each steady enough to show 3 dB
MEAN_FRAMES = 6
TOP_GROUPS = 3  # a thump fills few
RISE_DB = 4.0  # of ``top``: where a rise begins
ONE_GROUP = 0.5  # so much counts what stands in one part alone: a rumble
MARGIN_DB = 2.0  # over the floor
TAIL_DB = 2.0  # more over a decay, for tails beat
LOOK_BACK = (5, 30)  # frames: the decay is the quietest mean of this long ago
LONGEST = 500  # frames that a noise goes on after its first 0.3 s
FADE_BACK = (5, 20)
SURE_DB = 2.0  # over a tail that fades and comes back
STEEP_DB = 0.6  # a frame: a tail of 1 s, where there is none to learn from


def group_levels(frames: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the level of each part over 60 ms, and its floor (fifth percentile of 0.2 s means), in dB.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)

    Returns
    -------
    level : ndarray, shape (part, frame)
    floor : ndarray, shape (part,)
    """
    power = (10 ** (frames / 10)).reshape(N_MELS // GROUP, GROUP, -1).sum(axis=1)
    level = 10 * np.log10(ndimage.uniform_filter1d(power, MEAN_FRAMES, axis=1, mode="nearest") + 1e-13)
    smooth = ndimage.uniform_filter1d(power, 21, axis=1, mode="nearest")
    return level, 10 * np.log10(np.percentile(smooth, 5, axis=1) + 1e-13)


def excess_db(level: np.ndarray, floor: np.ndarray, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each part of the spectrum stands above the decay it should be in, in dB, and that decay.

    excess = L - max(D, F) - margin, at least 0: L the part's level, D the lowest such level of the last 50 to 300 ms
    since the last note's end, F the floor. A longer noise is held against what was before it. Rises that the fading
    of the tail explains are 0.

    Parameters
    ----------
    level : ndarray, shape (part, frame)
    floor : ndarray, shape (part,)
    free : ndarray of bool, shape (frame,)
        Where no note sounds.

    Returns
    -------
    excess : ndarray, shape (part, frame)
        0 where a note sounds.
    music : ndarray, shape (part, frame)
        max(D, F) without the margin over the floor; the level itself where a note sounds.
    """
    low, high = LOOK_BACK
    width = high - low + 1
    known = np.where(free, level, np.inf)
    decay = ndimage.minimum_filter1d(known, width, axis=1, origin=(width - 1) // 2, mode="constant", cval=np.inf)
    decay = np.pad(decay, ((0, 0), (low, 0)), constant_values=np.inf)[:, : level.shape[1]]
    ringing = decay > floor[:, None] + 4.0
    reference = np.maximum(decay + TAIL_DB * ringing, floor[:, None]) + MARGIN_DB
    music = np.where(free & np.isfinite(decay), np.maximum(decay + TAIL_DB * ringing, floor[:, None]), level)
    excess = np.where(free & np.isfinite(reference), np.maximum(level - reference, 0.0), 0.0)
    fading = _over_fading(level, floor, free)
    for first, last in runs(top(excess) > RISE_DB):
        if top(fading[:, first:last]).max() < SURE_DB:
            excess[:, first:last] = 0.0
            continue
        # Longer than the look-back a noise would become its own decay: it is held against what was before it.
        held = np.maximum(level[:, last : last + LONGEST] - reference[:, first : first + 1], 0.0)
        on = (top(held) > RISE_DB) & free[last : last + LONGEST]
        more = len(on) if on.all() else int(on.argmin())
        excess[:, last : last + more] = np.maximum(excess[:, last : last + more], held[:, :more])
        music[:, first + high : last + more] = music[:, first : first + 1]
    return excess, music


def top(excess: np.ndarray) -> np.ndarray:
    """Return the mean of each frame's TOP_GROUPS highest parts, or half of the highest [shape=(frame,)]."""
    highest = np.partition(excess, -TOP_GROUPS, axis=0)[-TOP_GROUPS:]
    return np.maximum(highest.mean(axis=0), ONE_GROUP * highest.max(axis=0))


def spread_runs(strength: np.ndarray, high: float, low: float) -> list[tuple[int, int]]:
    """Return the runs above ``high``, each with what is above ``low`` around it, in frames."""
    return [(a, b) for a, b in runs(strength > low) if strength[a:b].max() > high]


def runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """Return first and past-last frame of each run of true frames, runs closer than 50 ms joined."""
    joined = ndimage.binary_closing(np.pad(flags, 6), np.ones(6, bool))[6:-6] | flags
    edges = np.flatnonzero(np.diff(np.r_[0, joined.astype(np.int8), 0]))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


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
    """Return the usual fall of each part in the take's tails, in dB a frame [shape=(part,)]."""
    reach = LOOK_BACK[1]
    if level.shape[1] <= reach:
        return np.full(len(level), STEEP_DB)
    tail = np.convolve(free, np.ones(reach + 1), "valid") > reach + 0.5  # no note in between
    tails = tail & (level[:, reach:] > floor[:, None] + 8.0)
    falls = np.where(tails, (level[:, :-reach] - level[:, reach:]) / reach, np.nan)
    usual = np.median(falls[tails]) if tails.sum() > 20 else STEEP_DB
    each = [np.median(fall[known]) if known.sum() > 20 else usual for fall, known in zip(falls, tails, strict=True)]
    return np.maximum(each, 0.05)
