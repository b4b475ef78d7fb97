"""Microphones against each other: delay and polarity of one track relative to the reference.

Attacks of the same notes on two tracks (sample) go in; the lag and the sign with which one best matches the other
come out. A player and the microphones stay put during a session, so a difference from the other takes is a fault.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from triage.domain.errors import AudioError

REACH_S = 0.06  # 20 m of air
BAND_HZ = (80.0, 6000.0)


@lru_cache(maxsize=8)
def _taper(length: int) -> np.ndarray:
    """Return a window that fades a segment in and out: a hard cut at the same sample of both would match nowhere."""
    return np.hanning(length).astype(np.float32)


class Match(NamedTuple):
    """How one track follows another."""

    lag_s: float  # > 0: later than the other
    sign: int  # -1: inverted polarity
    clear: float  # height of the match over the next best of the other sign, 1 = undecided


def match(pairs: list[tuple[np.ndarray, np.ndarray]], rate_hz: int) -> Match:
    """Return lag and sign of the second track of each pair against the first, over all pairs together.

    Generalised cross-correlation with the phase transform (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976), the
    whitened cross-spectra of all segments added before going back to time, so that notes of many pitches leave
    one peak.

    Parameters
    ----------
    pairs : list of (ndarray, ndarray), each of shape (sample,)
        The same segments of time of both tracks.
    rate_hz : int

    Returns
    -------
    Match
        NaN lag and sign 0 where there is nothing to compare.

    Raises
    ------
    AudioError
        If the two of a pair differ in length.
    """
    return Reference([first for first, _ in pairs], rate_hz).match([second for _, second in pairs])


class Reference:
    """One track's segments, transformed once for all tracks that are matched with it.

    Parameters
    ----------
    segments : sequence of ndarray, each of shape (sample,)
    rate_hz : int
    """

    def __init__(self, segments: Sequence[np.ndarray], rate_hz: int):
        self.lengths, self.rate_hz = [len(one) for one in segments], rate_hz
        longest = max(self.lengths, default=0)
        self.size = next_fast_len(2 * longest, real=True) if longest >= 0.02 * rate_hz else 0
        hz = rfftfreq(self.size, 1 / rate_hz) if self.size else np.zeros(0)
        self.inside = slice(*np.searchsorted(hz, (BAND_HZ[0], np.nextafter(BAND_HZ[1], np.inf))))
        self.bins = len(hz)
        self.own = [self._spectrum(one).conj() for one in segments] if self.size else []

    def match(self, others: Sequence[np.ndarray]) -> Match:
        """Return lag and sign of a track, given by the same segments of it; as ``match``."""
        if not self.size:
            return Match(float("nan"), 0, 1.0)
        total = np.zeros(self.bins, complex)
        for length, own, other in zip(self.lengths, self.own, others, strict=True):
            if length != len(other):
                raise AudioError(f"a pair has {length} and {len(other)} samples: pass the same segment of both")
            cross = self._spectrum(other) * own
            total[self.inside] += cross / np.maximum(np.abs(cross), 1e-20)
        correlation = irfft(total, self.size)
        reach = min(round(REACH_S * self.rate_hz), self.size // 2 - 1)
        near = np.concatenate((correlation[-reach:], correlation[: reach + 1]))
        if not near.any():
            return Match(float("nan"), 0, 1.0)
        at = int(np.abs(near).argmax())
        sign = 1 if near[at] > 0 else -1
        beside = max(float((-sign * near).max()), 1e-20)
        return Match((at - reach) / self.rate_hz, sign, float(abs(near[at]) / beside))

    def _spectrum(self, segment: np.ndarray) -> np.ndarray:
        return np.asarray(rfft(segment * _taper(len(segment)), self.size)[self.inside])
