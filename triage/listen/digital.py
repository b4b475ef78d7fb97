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
CLIP_MIN = 0.5  # of full scale
CLIP_STEP = 1e-4  # a flat top is met at a slope; a low sine of 16 bits also stays on one value, but gets there by one
EDGE, EDGE_BEND = 0.2, 4.0  # of the sound beside a hole: a cut stands this high, or bends this much; fades do neither
CLICK_RATIO = 6.0  # of the third difference to the fourth highest around: real notes stay below, attacks last longer
CLICK_STEPS = 3
GOES_ON = 8.0  # level ratio of 2 ms after to 2 ms before: below it nothing started or stopped there
AROUND_S = 0.16  # four pulses of the lowest tuba note


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
    not_numbers_s: list[tuple[float, int]] = field(default_factory=list)  # (time, channel), the first of a block
    _flat: dict[tuple[int, int], tuple[float, int]] = field(default_factory=dict)  # (channel, second): level, -sample
    _peaks: list[np.ndarray] = field(default_factory=list)
    _bends: list[np.ndarray] = field(default_factory=list)
    _rest: np.ndarray | None = None
    _last: np.ndarray | None = None

    def add(self, block: np.ndarray) -> None:
        """Take in the next block [shape=(channel, sample)]."""
        bad = ~np.isfinite(block)
        if bad.any():
            self.not_finite += int(bad.sum())
            first = [(int(row.argmax()), channel) for channel, row in enumerate(bad) if row.any()]
            self.not_numbers_s += [((self.samples + at) / self.rate_hz, channel) for at, channel in first]
            block = np.where(bad, 0.0, block)
        last = np.zeros((self.n_channels, 3), block.dtype) if self._last is None else self._last
        joined = np.concatenate((last, block), axis=1)
        self._clips(joined)
        self.samples += block.shape[1]
        self._last = joined[:, -3:]
        both = np.stack((np.abs(block), np.abs(np.diff(joined, 3, axis=1))))  # (2, channel, sample)
        both = both if self._rest is None else np.concatenate((self._rest, both), axis=2)
        step = max(1, round(STEP_S * self.rate_hz))
        whole = both.shape[2] // step * step
        peaks, bends = both[:, :, :whole].reshape(2, self.n_channels, -1, step).max(axis=3)
        self._peaks.append(peaks)
        self._bends.append(bends)
        self._rest = both[:, :, whole:]

    def _clips(self, joined: np.ndarray) -> None:
        """Keep the highest flat top of each second: a step, then three equal samples."""
        before, top = joined[:, :-3], joined[:, 1:-2]
        flat = (top == joined[:, 2:-1]) & (top == joined[:, 3:]) & (np.abs(top) >= CLIP_MIN)
        flat &= np.abs(top - before) > CLIP_STEP
        for channel, at in zip(*np.nonzero(flat), strict=True):
            sample = self.samples + int(at) - 2
            place, found = (int(channel), sample // self.rate_hz), (abs(float(top[channel, at])), -sample)
            self._flat[place] = max(found, self._flat.get(place, found))

    @property
    def clipped_s(self) -> list[tuple[float, int]]:
        """Time and channel of a flat top in each second that has one as high as the channel gets."""
        tops = self.peaks.max(axis=1, initial=0.0)
        return [
            (-sample / self.rate_hz, channel)
            for (channel, _), (level, sample) in sorted(self._flat.items())
            if level >= 0.999 * tops[channel]
        ]

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
        Restoration, 1998): it takes away what is smooth. Its scale is the fourth highest of 160 ms around: brass
        bends as sharply, but in every period, and the median lies between the pulses.
        """
        step_s = self._step_s
        found = []
        for channel, bend in enumerate(self._all_bends):
            usual = ndimage.rank_filter(bend, -4, size=round(AROUND_S / step_s), mode="constant")
            for first, last in _runs(bend > CLICK_RATIO * np.maximum(usual, 1e-5)):
                if last - first <= CLICK_STEPS and first > 0 and _goes_on(self.peaks[channel], first, last):
                    found.append(Hole(first * step_s, last * step_s, channel))
        return found

    def holes(self) -> list[Hole]:
        """Return the dropouts: sound on both sides, nothing between, or next to nothing and a hard edge."""
        step_s = self._step_s
        return [
            Hole(first * step_s, last * step_s, channel)
            for channel, (peak, bend) in enumerate(zip(self.peaks, self._all_bends, strict=True))
            for first, last in _holes(peak, bend, step_s)
        ]

    @property
    def _step_s(self) -> float:
        return max(1, round(STEP_S * self.rate_hz)) / self.rate_hz

    @property
    def _all_bends(self) -> np.ndarray:
        return np.concatenate(self._bends, axis=1) if self._bends else np.zeros((self.n_channels, 0))


def _holes(peak: np.ndarray, bend: np.ndarray, step_s: float) -> list[tuple[int, int]]:
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
        if hole >= 10 ** (HOLE_DB / 20) * sides:
            continue
        if _cut(peak[max(0, first - side) : first], bend[max(0, first - side) : first + 2]):
            found.append((first, last))
    return found


def _cut(peak: np.ndarray, bend: np.ndarray) -> bool:
    """True if the sound ends by a cut: still loud, or bent at once; ``bend`` reaches two steps into the hole."""
    return bool(peak[-3:].max() > EDGE * peak.max() or bend[-4:].max() > EDGE_BEND * np.median(bend[:-4]))


def _goes_on(peak: np.ndarray, first: int, last: int) -> bool:
    """True if the sound is about as loud after a stretch as before it: no attack, and no edge of a hole."""
    before, after = peak[max(0, first - 5) : first - 1], peak[last + 1 : last + 5]
    low, high = sorted((before.max(initial=0.0), after.max(initial=0.0)))
    return bool(high <= GOES_ON * low)


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """Return first and past-last step of each run of true ones."""
    edges = np.flatnonzero(np.diff(np.r_[0, flags.astype(np.int8), 0]))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
