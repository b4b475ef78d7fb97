"""Digital clicks planted into clean tracks: how many are found, and how many more.

A click is one sample, 20 dB over the residual: ten times the RMS of what an autoregressive model of order 32, fitted
to the 43 ms around it, cannot predict there.
"""

from dataclasses import dataclass

import numpy as np
from scipy import signal

from triage.listen.digital import SampleCheck
from triage.listen.impulses import ORDER, autoregression

OVER_RESIDUAL = 10.0
FIT, APART_S, NEAR_S = 2048, 0.4, 0.002


@dataclass(frozen=True)
class Clicks:
    """Counts of one or more tracks."""

    planted: int = 0
    found: int = 0
    false: int = 0
    minutes: float = 0.0  # of track without clicks

    def __add__(self, other: "Clicks") -> "Clicks":
        return Clicks(
            self.planted + other.planted,
            self.found + other.found,
            self.false + other.false,
            self.minutes + other.minutes,
        )


def residual_rms(samples: np.ndarray) -> float:
    """Return the RMS of the forward prediction error of a segment, shape (sample,)."""
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 2 * len(samples))) ** 2
    filters = autoregression(np.fft.irfft(power)[None, : ORDER + 1])
    error = signal.lfilter(filters[0], [1.0], samples)[ORDER:]
    return float(np.sqrt(np.mean(error**2)))


def count_clicks(tracks: np.ndarray, rate_hz: int, each: int, rng: np.random.Generator) -> Clicks:
    """Plant ``each`` clicks into each of the tracks, shape (channel, sample), and count."""
    spoilt, places = tracks.copy(), []
    for channel, track in enumerate(tracks):
        room = np.arange(FIT, tracks.shape[1] - FIT - round(0.1 * rate_hz), round(APART_S * rate_hz))
        for at in rng.choice(room, min(each, len(room)), replace=False) + rng.integers(0, round(0.1 * rate_hz)):
            height = OVER_RESIDUAL * residual_rms(track[at - FIT // 2 : at + FIT // 2])
            spoilt[channel, at] += height * rng.choice([-1, 1])
            places.append((channel, at / rate_hz))
    before, after = _clicks(tracks, rate_hz), _clicks(spoilt, rate_hz)
    found = sum(any(c == channel and abs(s - at_s) <= NEAR_S for c, s in after) for channel, at_s in places)
    return Clicks(len(places), found, len(before), tracks.size / rate_hz / 60)


def _clicks(tracks: np.ndarray, rate_hz: int) -> list[tuple[int, float]]:
    check = SampleCheck(rate_hz, len(tracks))
    check.add(tracks.astype(np.float32))
    return [(click.channel, (click.start_s + click.end_s) / 2) for click in check.clicks()]
