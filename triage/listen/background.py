"""The background of each microphone, octave by octave and A-weighted, in one pass over a take's blocks.

Blocks of any length go in, shape (channel, sample), full scale +-1; one ``Background`` a channel comes out. Levels
are mean squares in dB re full scale (a full-scale sine reads -3.01), as everywhere in this tool. Log-mel frames are
too coarse for this: the octave at 31.5 Hz is narrower than one of their bands.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft, signal

from triage.domain.errors import AudioError
from triage.listen.logmel import finite
from triage.listen.weighting import a_weighting_db

OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)  # nominal
CENTRES_HZ = 1000.0 * 10 ** (0.3 * np.arange(-5, 5))  # exact, IEC 61260-1
HALF_OCTAVE = 10**0.15
WINDOW_S = 16_384 / 48_000  # 3 Hz per bin: enough for the octave at 31.5 Hz, short enough for the gap between notes
FLUCTUATING = 3  # octaves below 250 Hz
QUIET_SHARE, QUIET_DB = 0.1, 1.5  # the quietest windows, and those hardly louder
PIECES = 8  # of a window, none of which may be silent
CHUNK = 8  # windows transformed at once
LOUD_DB = 6.0  # over the quietest so far a window is surely music, and not transformed


@dataclass(frozen=True)
class Background:
    """What is left when nobody plays; None where a channel is digital silence or the rate has no such octave."""

    a_dbfs: float | None
    octaves_dbfs: tuple[float | None, ...]  # of OCTAVES_HZ


@lru_cache(maxsize=8)
def _bands(rate_hz: int, n_fft: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the first bin of each octave and past the last [shape=(octave + 1,)], and each bin's A weight."""
    hz = fft.rfftfreq(n_fft, 1 / rate_hz)
    edges_hz = np.append(CENTRES_HZ / HALF_OCTAVE, CENTRES_HZ[-1] * HALF_OCTAVE)
    return np.searchsorted(hz, edges_hz), (10 ** (a_weighting_db(hz) / 10)).astype(np.float32)


class BackgroundMeter:
    """Follows the blocks of one file and keeps the levels of each short window.

    Parameters
    ----------
    rate_hz : int
        Sample rate, 8 kHz or more.
    channels : int
    """

    def __init__(self, rate_hz: int, channels: int):
        if rate_hz < 8_000:
            raise AudioError(f"sample rate {rate_hz} Hz is below 8000 Hz: not a music recording")
        self.n_fft = 2 ** round(np.log2(WINDOW_S * rate_hz))
        self.hop = self.n_fft // 2
        self.window = signal.get_window("hann", self.n_fft).astype(np.float32)
        self.edges, self.weights = _bands(rate_hz, self.n_fft)
        self.known = int((CENTRES_HZ * HALF_OCTAVE <= 1.02 * rate_hz / 2).sum())  # octaves that the rate can hold
        self.scale = 2.0 / (self.n_fft * float((self.window**2).sum()))
        self._rest = np.zeros((channels, 0), np.float32)
        self._quietest = np.full(channels, np.inf)  # mean square
        self._powers: list[np.ndarray] = []

    def add(self, block: np.ndarray) -> None:
        """Add the next block [shape=(channel, sample)]; samples that are not finite count as silence."""
        rest = np.concatenate((self._rest, finite(block)), axis=1)
        count = max(0, (rest.shape[1] - self.n_fft) // self.hop + 1)
        if count:
            self._powers.append(self._quiet_powers(rest, count))
        self._rest = rest[:, count * self.hop :]

    def result(self) -> list[Background]:
        """Return the background of each channel: the mean of the quietest windows and those within 1.5 dB of them.

        Octaves from 250 Hz on each have their own quiet windows, so that a tail in one of them does not raise it;
        below, where a level fluctuates from window to window and the quietest would be too low, the others decide.
        The A-weighted level is the sum of the octaves'. A take that never rests gives what there is, one shorter than
        a window nothing.
        """
        if not self._powers:
            return [_background(np.zeros((0, 2, len(OCTAVES_HZ))))] * len(self._rest)
        powers = np.concatenate(self._powers)  # (window, plain or A-weighted, channel, octave)
        return [_background(powers[:, :, channel]) for channel in range(powers.shape[2])]

    def _quiet_powers(self, samples: np.ndarray, count: int) -> np.ndarray:
        """Return the powers of so many windows, NaN where one is not quiet [shape=(window, 2, channel, octave)]."""
        quiet = self._quiet(samples, count)
        windows = np.lib.stride_tricks.sliding_window_view(samples, self.n_fft, axis=1)[:, :: self.hop]
        powers = np.full((count, 2, len(samples), len(OCTAVES_HZ)), np.nan)
        places = np.argwhere(quiet)  # (channel, window)
        for first in range(0, len(places), CHUNK):
            channels, at = places[first : first + CHUNK].T
            spectrum = fft.rfft(windows[channels, at] * self.window)[:, : self.edges[self.known]]  # (place, bin)
            power = (spectrum.real**2 + spectrum.imag**2) * self.scale
            starts = self.edges[: self.known]
            powers[at, 0, channels, : self.known] = np.add.reduceat(power, starts, axis=1)
            weighted = power * self.weights[: power.shape[1]]
            powers[at, 1, channels, : self.known] = np.add.reduceat(weighted, starts, axis=1)
        return powers

    def _quiet(self, samples: np.ndarray, count: int) -> np.ndarray:
        """Return which windows are near the quietest so far, and not silent in parts [shape=(channel, window)]."""
        size = self.n_fft // PIECES
        pieces = samples[:, : (count + 1) * self.hop].reshape(len(samples), -1, size)
        each = np.einsum("cps,cps->cp", pieces, pieces)
        square = np.lib.stride_tricks.sliding_window_view(each, PIECES, axis=1)[:, :: PIECES // 2]
        whole = (square > 0).all(axis=2)  # a dropout is not a quiet room
        mean = np.where(whole, square.mean(axis=2), np.inf)
        quietest = np.minimum.accumulate(np.concatenate((self._quietest[:, None], mean), axis=1), axis=1)
        self._quietest = quietest[:, -1]
        return np.asarray(whole & (mean <= quietest[:, 1:] * 10 ** (LOUD_DB / 10)))


def _background(powers: np.ndarray) -> Background:
    """Return the background of one channel from its windows [shape=(window, 2, octave)]."""
    sounding = powers[np.nansum(powers[:, 1], axis=1) > 0]
    if not len(sounding):
        return Background(None, (None,) * len(OCTAVES_HZ))
    plain, weighted = sounding[:, 0], sounding[:, 1]
    own = plain <= _limit(plain)
    steady = np.nansum(weighted[:, FLUCTUATING:], axis=1)
    own[:, :FLUCTUATING] = (steady <= _limit(steady))[:, None]
    plain_db, weighted_db = (
        [
            10 * float(np.log10(mean)) if (mean := power[kept].mean() if kept.any() else 0.0) > 0 else None
            for power, kept in zip(powers_.T, own.T, strict=True)
        ]
        for powers_ in (plain, weighted)
    )
    total = sum(10 ** (level / 10) for level in weighted_db if level is not None)
    return Background(10 * float(np.log10(total)) if total > 0 else None, tuple(plain_db))


def _limit(power: np.ndarray) -> np.ndarray:
    return np.asarray(np.quantile(power, QUIET_SHARE, axis=0) * 10 ** (QUIET_DB / 10))
