"""Technical faults in the samples: dropouts, clipped runs, values that are not numbers, a dead track.

Blocks of a take (channel, sample) go in one after another; what was found comes out at the end. The fine
peaks kept on the way, one every 0.5 ms, also serve a waveform picture.
"""

import math
import sys
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy import ndimage

from triage.listen.flat_tops import FlatTops
from triage.listen.impulses import ImpulseDetector, highest
from triage.listen.logmel import percentile
from triage.listen.loudness import true_peak_dbtp

STEP_S = 0.0005
BEFORE = 3  # samples that a bend and a flat top look back
HOLE_S = (0.0025, 0.25)  # a dropout is at least and at most this long
SIDE_S = 0.03  # the sound on both sides of a hole
HOLE_DB = -38.0  # the hole against the weaker side
CLIP_MIN = 0.5  # of full scale
CLIP_STEP = 1e-4  # a flat top is met at a slope; a low sine of 16 bits also stays on one value, but gets there by one
EDGE, EDGE_BEND = 0.2, 4.0  # of the sound beside a hole: a cut stands this high, or bends this much; fades do neither
CLICK_SIGMAS = 7.0  # of the interpolation error: a Gaussian one gets there once in a day
CLICK_RATIO = 2.0  # of it to the fourth highest around: real notes stay below, attacks last longer
CLICK_STEPS = 3
LEAST_CLICK = 6e-5  # of full scale, -84 dBFS: a kink in sound without any noise is softer
ALONE = 0.5  # of a click's error may be left around it
CLEAR_RATIO = 8.0  # above it neither an attack nor a pulse is asked for
PULSE, PULSE_ERROR = 7.0, 0.05  # a brass pulse stands so high in its period, and its error under it
GOES_ON, GOES_ON_STEPS = 12.0, 20  # level ratio of 10 ms after to 10 ms before: below it nothing started or stopped
PEAK_REACH, PEAK_PARTS, PEAK_MOST = 48, 64, 8  # samples around a peak; parts of a block, the loudest looked at
RAMP = np.minimum(1.0, np.arange(PEAK_REACH + 1) / (PEAK_REACH // 2))  # of a segment around a peak
AROUND_S = 0.16  # four pulses of the lowest tuba note


@dataclass(frozen=True)
class Hole:
    """A segment of one channel where samples are missing or wrong; seconds from the take's start."""

    start_s: float
    end_s: float
    channel: int


@dataclass
class SampleCheck:
    """Checks the samples of a take block by block.

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
    _holes_of: tuple[int, list[Hole]] | None = None  # for so many samples
    _tops: dict[int, float] = field(default_factory=dict)  # channel: highest true peak, linear
    _impulses: ImpulseDetector = field(init=False)
    _flat_tops: FlatTops = field(init=False)
    _kept: np.ndarray | None = None  # less than a step of samples, and BEFORE more that came before them

    def __post_init__(self) -> None:
        self._impulses = ImpulseDetector(self.rate_hz, self.n_channels)
        self._flat_tops = FlatTops(self.rate_hz, self.n_channels)

    def add(self, block: np.ndarray) -> None:
        """Add the next block [shape=(channel, sample)]."""
        if not np.isfinite(block.sum()):  # one pass instead of two: NaN and infinity do not go away
            bad = ~np.isfinite(block)
            self.not_finite += int(bad.sum())
            first = [(int(row.argmax()), channel) for channel, row in enumerate(bad) if row.any()]
            self.not_numbers_s += [((self.samples + at) / self.rate_hz, channel) for at, channel in first]
            block = np.where(bad, 0.0, block)
        kept = np.zeros((self.n_channels, BEFORE), block.dtype) if self._kept is None else self._kept
        joined = np.concatenate((kept, block), axis=1)
        level, new = np.abs(joined), kept.shape[1]
        tops = level[:, new:].max(axis=1, initial=0.0)
        self._clips(joined[:, new - BEFORE :], level[:, new - BEFORE :])
        self._flat_tops.add(block, tops)
        self._true_peaks(block, level[:, new:], tops)
        self._impulses.add(block)
        self.samples += block.shape[1]
        step = max(1, round(STEP_S * self.rate_hz))
        whole = (joined.shape[1] - BEFORE) // step * step
        self._peaks.append(highest(level[:, BEFORE : BEFORE + whole], step))
        self._bends.append(highest(_bend(joined[:, : BEFORE + whole]), step))
        self._kept = joined[:, whole:].copy()

    def _clips(self, joined: np.ndarray, level: np.ndarray) -> None:
        """Keep the highest flat top of each second: a step, then three equal samples; BEFORE samples come again."""
        if level.max(initial=0.0) < CLIP_MIN:
            return
        channels, at = np.nonzero(level[:, 1:-2] >= CLIP_MIN)
        for ahead in (1, 2):
            same = joined[channels, at + 1] == joined[channels, at + 1 + ahead]
            channels, at = channels[same], at[same]
        steep = np.abs(joined[channels, at + 1] - joined[channels, at]) > CLIP_STEP
        for channel, one in zip(channels[steep].tolist(), at[steep].tolist(), strict=True):
            sample = self.samples + one - 2
            place, found = (channel, sample // self.rate_hz), (float(level[channel, one + 1]), -sample)
            self._flat[place] = max(found, self._flat.get(place, found))

    def _true_peaks(self, block: np.ndarray, level: np.ndarray, tops: np.ndarray) -> None:
        """Update the true peaks, oversampling around the highest samples of each channel: BS.1770 annex 2."""
        for channel, row in enumerate(level):
            top = max(self._tops.get(channel, 0.0), float(tops[channel]))
            parts = [_faded(block[channel], at) for at in _highest(row) if row[at] > 0.5 * top]
            if parts and np.any(parts):
                top = max(top, 10 ** (true_peak_dbtp(np.stack(parts), self.rate_hz) / 20))
            self._tops[channel] = top

    @property
    def true_peaks_dbtp(self) -> list[float]:
        """Highest peak of each channel, also between the samples, in dB of full scale; -inf for silence."""
        tops = [self._tops.get(channel, 0.0) for channel in range(self.n_channels)]
        return [20 * math.log10(top) if top > 0 else -math.inf for top in tops]

    @property
    def clipped_s(self) -> list[tuple[float, int]]:
        """Time and channel of a flat top in each second that has one as high as the channel gets.

        From CLIP_MIN up one is enough; below, where the file was turned down after it had clipped, see ``FlatTops``.
        """
        tops = self.peaks.max(axis=1, initial=0.0)
        high = {place: -sample for place, (level, sample) in self._flat.items() if level >= 0.999 * tops[place[0]]}
        found = sorted((self._flat_tops.clipped() | high).items())
        return [(sample / self.rate_hz, channel) for (channel, _), sample in found]

    @property
    def peaks(self) -> np.ndarray:
        """Highest absolute sample of each 0.5 ms [shape=(channel, step)]."""
        return np.concatenate(self._peaks, axis=1) if self._peaks else np.zeros((self.n_channels, 0))

    def dead_channels(self) -> list[int]:
        """Return the channels that hold nothing but digital silence."""
        return [channel for channel, peak in enumerate(self.peaks) if len(peak) and peak.max() < 1e-6]

    def clicks(self) -> list[Hole]:
        """Return the clicks of a few samples: a two-sided prediction error far above those around.

        Its scale is the robust one of its 21 ms (``impulses``) and the fourth highest of 160 ms around: brass is
        least predictable at each of its pulses, and the robust scale lies between them. It is over within 1.5 ms, and
        once it is removed nothing is left there: what starts or stops a sound goes on for longer.
        """
        step_s, found, peaks = self._step_s, [], self.peaks
        errors, holes = self._impulses.finish(), self.holes()
        for channel, (error, sigma, left) in enumerate(zip(*errors, strict=True)):
            usual = ndimage.rank_filter(error, -4, size=round(AROUND_S / step_s), mode="constant")
            least = np.maximum(LEAST_CLICK, np.maximum(CLICK_SIGMAS * sigma, CLICK_RATIO * usual))
            edges = [s for hole in holes if hole.channel == channel for s in (hole.start_s, hole.end_s)]
            for first, last in _runs(error > least):
                peak, high = peaks[channel], error[first:last].max()
                alone = left[first:last].min() < ALONE * high and last - first <= CLICK_STEPS
                clear = high > CLEAR_RATIO * usual[first:last].max()
                cut = any(first - 3 <= at_s / step_s <= last + 3 for at_s in edges)
                music = not clear and _music(peak, first, last, high)
                if alone and not cut and not music and _goes_on(peak, first, last):
                    found.append(Hole(first * step_s, last * step_s, channel))
        return found

    def holes(self) -> list[Hole]:
        """Return the dropouts: sound on both sides, nothing between, or next to nothing and a hard edge."""
        if self._holes_of and self._holes_of[0] == self.samples:
            return list(self._holes_of[1])  # clicks() asks as well
        step_s = self._step_s
        found = [
            Hole(first * step_s, last * step_s, channel)
            for channel, (peak, bend) in enumerate(zip(self.peaks, self._all_bends, strict=True))
            for first, last in _holes(peak, bend, step_s)
        ]
        self._holes_of = (self.samples, found)
        return list(found)

    @property
    def _step_s(self) -> float:
        return max(1, round(STEP_S * self.rate_hz)) / self.rate_hz

    @property
    def _all_bends(self) -> np.ndarray:
        return np.concatenate(self._bends, axis=1) if self._bends else np.zeros((self.n_channels, 0))


def _faded(samples: np.ndarray, at: int) -> np.ndarray:
    """Return the samples around a place, faded in and out (a hard cut would ring) [shape=(2 PEAK_REACH + 1,)]."""
    part = samples[max(0, at - PEAK_REACH) : at + PEAK_REACH + 1]
    faded = np.zeros(2 * PEAK_REACH + 1)
    faded[: len(part)] = part * np.concatenate((RAMP[: -(-len(part) // 2)], RAMP[: len(part) // 2][::-1]))
    return faded


def _bend(samples: np.ndarray) -> np.ndarray:
    """Return the absolute third difference [shape=(channel, sample) -> (channel, sample - 3)], without copies."""
    first = np.subtract(samples[:, 1:], samples[:, :-1])
    second = np.subtract(first[:, 1:], first[:, :-1])
    third = np.subtract(second[:, 1:], second[:, :-1], out=first[:, :-2])
    return np.abs(third, out=third)


def _highest(level: np.ndarray) -> list[int]:
    """Return the sample of the highest level in the loudest few of PEAK_PARTS equal parts."""
    each, more = divmod(len(level), PEAK_PARTS)
    edges = np.cumsum([0, *([each + 1] * more), *([each] * (PEAK_PARTS - more))])
    pairs = [(int(a), int(b)) for a, b in pairwise(edges) if b > a]
    tops = [first + int(level[first:last].argmax()) for first, last in pairs]
    return sorted(tops, key=lambda at: -level[at])[:PEAK_MOST]


def _holes(peak: np.ndarray, bend: np.ndarray, step_s: float) -> list[tuple[int, int]]:
    side = round(SIDE_S / step_s)
    if len(peak) < 3 * side:
        return []
    floor = 1.5 * percentile(peak, 5)
    highest_from = ndimage.maximum_filter1d(np.pad(peak, side), side, origin=-(side // 2))  # here, and side - 1 on
    before, after = highest_from[: len(peak)], highest_from[side + 1 : side + 1 + len(peak)]
    low = peak < 10 ** (HOLE_DB / 20) * np.maximum(peak.max() * 0.003, np.maximum(before, after))
    low |= peak <= floor
    shortest, longest = (round(s / step_s) for s in HOLE_S)
    found = []
    for first, last in _runs(low, shortest, longest):
        if first < 4 or last > len(peak) - 4:
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


def _music(peak: np.ndarray, first: int, last: int, error: float) -> bool:
    """True for a pluck's or a valve's first 30 ms, and for the steep front of a pulse of brass."""
    near, wide = round(0.003 / STEP_S), round(0.03 / STEP_S)
    before, after = peak[max(0, first - wide) : max(0, first - near)], peak[last + near : last + wide]
    low, high = sorted((np.median(before) if len(before) else 0.0, np.median(after) if len(after) else 0.0))
    top = peak[max(0, first - 3) : last + 3].max()
    period = np.median(peak[max(0, first - near * 4) : last + near * 4])
    front = top > GOES_ON * peak[max(0, first - 4) : first].max(initial=0.0)
    return bool(high > GOES_ON * low or ((front or top > PULSE * period) and error < PULSE_ERROR * top))


def _goes_on(peak: np.ndarray, first: int, last: int) -> bool:
    """True if the sound is about as loud after a segment as before it: no attack, and no edge of a hole."""
    before, after = peak[max(0, first - GOES_ON_STEPS) : first - 1], peak[last + 1 : last + GOES_ON_STEPS]
    low, high = sorted((before.max(initial=0.0), after.max(initial=0.0)))
    return bool(high <= GOES_ON * low)


def _runs(flags: np.ndarray, shortest: int = 1, longest: int = sys.maxsize) -> list[tuple[int, int]]:
    """Return first and past-last step of each run of so many true ones."""
    edges = np.flatnonzero(np.diff(np.r_[0, flags.astype(np.int8), 0]))
    starts, ends = edges[::2], edges[1::2]
    fit = (ends - starts >= shortest) & (ends - starts <= longest)
    return [(int(a), int(b)) for a, b in zip(starts[fit], ends[fit], strict=True)]
