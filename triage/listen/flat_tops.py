"""Flat tops at the highest level that a channel reaches: clipping, however far the file was turned down afterwards.

In: blocks of a take (channel, sample), one after another. Out: the times of flat tops. A converter
that clips meets its limit at the slope of the music, again and again, and nothing ever lies above that level.
"""

from dataclasses import dataclass, field

import numpy as np

LEAST_TOP = 1e-3  # of full scale, -60 dBFS: below, three equal samples are chance
BACK = 34  # samples before a top that show how fine the steps of the file are
LEAST_TOPS = 5
FLAT_SHARE = 0.2  # of all visits to the highest level: of music in a few steps most are one sample long
LEAST_STEPS = 8.0  # of the file's own, into a flat top: a smooth top that rounding made flat is met by three at most
SLOPE_RATIO = (0.15, 2.0)  # step into the top to the step before: a limiter or a tanh arrives ever more gently
LEAST_MOVING = 0.15  # of the samples before a top: those of a square tone rest nearly always
ROUNDING = 4e-7  # of the top: less than this between samples is the rounding of 32-bit floats


@dataclass
class _Tops:
    """What one channel did at its highest level so far."""

    level: float = LEAST_TOP
    visits: int = 0  # runs of samples at that level, of either sign
    step: float = np.inf  # the smallest second difference before a flat top: how finely the file tells levels apart
    found: list[tuple[int, float]] = field(default_factory=list)  # of each flat top: first sample, step into it


class FlatTops:
    """Finds flat tops block by block; block borders do not show in what it finds.

    Parameters
    ----------
    rate_hz, n_channels : int
    """

    def __init__(self, rate_hz: int, n_channels: int):
        self.rate_hz = rate_hz
        self._samples = 0
        self._kept = np.zeros((n_channels, BACK + 2))
        self._tops = [_Tops() for _ in range(n_channels)]

    def add(self, block: np.ndarray, highest: np.ndarray) -> None:
        """Add the next block [shape=(channel, sample)], every value finite, and its peaks [shape=(channel,)]."""
        for channel, (top, high) in enumerate(zip(self._tops, highest.tolist(), strict=True)):
            if high > top.level:
                self._tops[channel] = top = _Tops(high)
            if high == top.level:  # else what is flat here is not the channel's limit
                self._look(top, np.concatenate((self._kept[channel].astype(block.dtype), block[channel])))
        self._samples += block.shape[1]
        reach = BACK + 2
        self._kept = np.concatenate((self._kept, block[:, -reach:]), axis=1)[:, -reach:]

    def _look(self, top: _Tops, samples: np.ndarray) -> None:
        """Add the visits to the top that begin from two samples before the block to three before its end."""
        flags = np.abs(samples) == top.level
        at = np.flatnonzero(flags[BACK:-2]) + BACK
        at = at[samples[at] != samples[at - 1]]
        top.visits += len(at)
        at = at[(samples[at] == samples[at + 1]) & (samples[at] == samples[at + 2])]
        if not len(at):
            return
        before = samples[at[:, None] + np.arange(-BACK, 1)].astype(np.float64)  # (top, sample)
        steps = np.diff(before, axis=1)
        bends = np.abs(np.diff(steps, axis=1))
        bends = bends[bends > ROUNDING * top.level]
        top.step = min(top.step, float(bends.min(initial=np.inf)))
        into, last = steps[:, -1], steps[:, -2]
        ratio = into / np.where(last == 0, np.inf, last)
        moving = (steps != 0).mean(axis=1)
        steep = (ratio >= SLOPE_RATIO[0]) & (ratio <= SLOPE_RATIO[1]) & (moving >= LEAST_MOVING)
        first = at[steep] + self._samples - BACK - 2
        top.found += list(zip(first.tolist(), np.abs(into[steep]).tolist(), strict=True))

    def clipped(self) -> dict[tuple[int, int], int]:
        """Return the first flat top of each channel and second that holds one: (channel, second) to its sample.

        A channel has at least LEAST_TOPS of them, a FLAT_SHARE of its visits to that level, or none is told.
        """
        found: dict[tuple[int, int], int] = {}
        for channel, top in enumerate(self._tops):
            flat = [sample for sample, into in top.found if into > LEAST_STEPS * top.step]
            if len(flat) >= max(LEAST_TOPS, FLAT_SHARE * top.visits):
                for sample in flat:
                    found.setdefault((channel, sample // self.rate_hz), sample)
        return found
