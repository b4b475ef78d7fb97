"""Technical trouble in the samples: dropouts, clipped runs, values that are not numbers, a dead track.

Blocks of a take (channel, sample) go in one after another; what was found comes out at the end. The fine
peaks kept on the way, one every 0.5 ms, also serve a waveform picture.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

STEP_S = 0.0005
HOLE_S = (0.0025, 0.25)  # a dropout is at least and at most this long
SIDE_S = 0.03  # the sound on both sides of a hole
HOLE_DB = -38.0  # the hole against the weaker side
CLIP_RUN = 3  # equal samples in a row at the top are not music
CLIP_MIN = 0.5  # of full scale
CLICK_RATIO = 16.0  # of the third difference to its median around: music stays below 8, plucks last longer
CLICK_STEPS = 3
AROUND_S = 0.04


@dataclass(frozen=True)
class Hole:
    """A stretch of one channel where samples are missing or stray; seconds from the take's start."""

    start_s: float
    end_s: float
    channel: int


@dataclass
class SampleCheck:
    """Watches the samples of a take go by.

    Parameters
    ----------
    rate_hz : int
    n_channels : int
    """

    rate_hz: int
    n_channels: int
    samples: int = 0
    not_finite: int = 0
    clipped_s: list[tuple[float, int]] = field(default_factory=list)  # (time, channel), one a block and channel
    _peaks: list[np.ndarray] = field(default_factory=list)
    _bends: list[np.ndarray] = field(default_factory=list)
    _rest: np.ndarray | None = None
    _last: np.ndarray | None = None

    def add(self, block: np.ndarray) -> None:
        """Take in the next block [shape=(channel, sample)]."""
        bad = ~np.isfinite(block)
        if bad.any():
            self.not_finite += int(bad.sum())
            block = np.where(bad, 0.0, block)
        self._clips(block)
        self.samples += block.shape[1]
        last = np.zeros((self.n_channels, 3), block.dtype) if self._last is None else self._last
        joined = np.concatenate((last, block), axis=1)
        self._last = joined[:, -3:]
        both = np.stack((np.abs(block), np.abs(np.diff(joined, 3, axis=1))))  # (2, channel, sample)
        both = both if self._rest is None else np.concatenate((self._rest, both), axis=2)
        step = max(1, round(STEP_S * self.rate_hz))
        whole = both.shape[2] // step * step
        peaks, bends = both[:, :, :whole].reshape(2, self.n_channels, -1, step).max(axis=3)
        self._peaks.append(peaks)
        self._bends.append(bends)
        self._rest = both[:, :, whole:]

    def _clips(self, block: np.ndarray) -> None:
        for channel, wave in enumerate(block):
            top = np.abs(wave)
            if not len(top) or top.max() < CLIP_MIN:
                continue
            flat = (np.diff(wave) == 0) & (top[1:] >= 0.999 * top.max())
            run = ndimage.uniform_filter1d(flat.astype(np.float32), CLIP_RUN - 1) > 1 - 1e-6
            if run.any():
                self.clipped_s.append(((self.samples + int(run.argmax())) / self.rate_hz, channel))

    @property
    def peaks(self) -> np.ndarray:
        """Highest absolute sample of each 0.5 ms [shape=(channel, step)]."""
        return np.concatenate(self._peaks, axis=1) if self._peaks else np.zeros((self.n_channels, 0))

    def dead_channels(self) -> list[int]:
        """Return the channels that hold nothing but digital silence."""
        return [channel for channel, peak in enumerate(self.peaks) if len(peak) and peak.max() < 1e-6]

    def clicks(self) -> list[Hole]:
        """Return the clicks of a sample or three: a bend far above those around, over within 1.5 ms.

        The third difference stands in for the residual of a fitted predictor (Godsill and Rayner, Digital Audio
        Restoration, 1998): it takes away what is smooth, the median of 40 ms around is its robust scale.
        """
        step_s = max(1, round(STEP_S * self.rate_hz)) / self.rate_hz
        found = []
        for channel, bend in enumerate(np.concatenate(self._bends, axis=1) if self._bends else []):
            usual = ndimage.median_filter(bend, round(AROUND_S / step_s), mode="nearest")
            for first, last in _runs(bend > CLICK_RATIO * np.maximum(usual, 1e-5)):
                if last - first <= CLICK_STEPS and first > 0:
                    found.append(Hole(first * step_s, last * step_s, channel))
        return found

    def holes(self) -> list[Hole]:
        """Return the dropouts: sound on both sides, nothing between, or next to nothing and a hard edge."""
        step_s = max(1, round(STEP_S * self.rate_hz)) / self.rate_hz
        return [
            Hole(first * step_s, last * step_s, channel)
            for channel, peak in enumerate(self.peaks)
            for first, last in _holes(peak, step_s)
        ]


def _holes(peak: np.ndarray, step_s: float) -> list[tuple[int, int]]:
    side = round(SIDE_S / step_s)
    if len(peak) < 3 * side:
        return []
    floor = 1.5 * np.percentile(peak, 5)
    padded = np.pad(peak, side)
    before = ndimage.maximum_filter1d(padded, side, origin=(side - 1) // 2)[side - 1 : side - 1 + len(peak)]
    after = ndimage.maximum_filter1d(padded, side, origin=-(side // 2))[side + 1 : side + 1 + len(peak)]
    low = peak < 10 ** (HOLE_DB / 20) * np.maximum(peak.max() * 0.003, np.maximum(before, after))
    low |= peak <= floor
    shortest, longest = (round(s / step_s) for s in HOLE_S)
    found = []
    for first, last in _runs(low):
        if not shortest <= last - first <= longest or first < 4 or last > len(peak) - 4:
            continue
        sides = min(before[first], after[last - 1])
        hole = peak[first:last].max()
        edge = max(peak[first - 3 : first].max(), peak[last : last + 3].max())
        if hole < 10 ** (HOLE_DB / 20) * sides and (hole == 0.0 or edge > 0.1 * sides):
            found.append((first, last))
    return found


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """Return first and past-last step of each run of true ones."""
    edges = np.flatnonzero(np.diff(np.r_[0, flags.astype(np.int8), 0]))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
