"""Faults of microphones, converters and files, planted into the finished tracks of one take.

Each is a pure function ``(tracks, rate_hz, rng, size) -> (tracks, place)``: tracks have shape (channel,
sample), full scale 1.0; ``place`` says which channel and which samples are affected, for the truth.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from training import note_editing as shaping
from training.note_editing import Array


@dataclass(frozen=True)
class Where:
    """The affected channel (None = every one) and samples, ``start`` included and ``stop`` not."""

    channel: int | None
    start: int
    stop: int


Spoil = Callable[[Array, int, np.random.Generator, float], tuple[Array, Where]]


@dataclass(frozen=True)
class Mishap:
    """One technical fault; the take is rejected whatever the player did."""

    kind: str
    spoil: Spoil
    low: float
    high: float
    unit: str

    def draw(self, rng: np.random.Generator, sizes: dict[str, tuple[float, float]] | None = None) -> float:
        """Draw a size; ``sizes`` by kind go before the mishap's own."""
        return float(rng.uniform(*(sizes or {}).get(self.kind, (self.low, self.high))))


def dropout(tracks: Array, rate_hz: int, rng: np.random.Generator, size: float) -> tuple[Array, Where]:
    """``size`` seconds of zeros, where the take is loud, on one microphone or (one in three) on all."""
    out, count = tracks.copy(), max(1, int(size * rate_hz))
    channel = None if rng.random() < 1 / 3 else int(rng.integers(len(tracks)))
    at = _loud_place(tracks[0 if channel is None else channel], rate_hz, rng)
    at = min(at, tracks.shape[1] - count)
    out[slice(None) if channel is None else channel, at : at + count] = 0.0
    return out, Where(channel, at, at + count)


def clipped(tracks: Array, rate_hz: int, rng: np.random.Generator, size: float) -> tuple[Array, Where]:
    """One microphone's gain so high that its peak would stand ``size`` dB over full scale."""
    out, channel = tracks.copy(), int(rng.integers(len(tracks)))
    loud = out[channel] * (shaping.amplitude(size) / max(np.abs(out[channel]).max(), shaping.SILENCE))
    over = np.flatnonzero(np.abs(loud) >= 1)
    out[channel] = np.clip(loud, -1, 1)
    return out, Where(channel, int(over[0]), int(over[-1]) + 1)


def dead_track(tracks: Array, rate_hz: int, rng: np.random.Generator, size: float) -> tuple[Array, Where]:
    """One microphone gone for the whole take: only a floor at ``size`` dBFS is left."""
    out, channel = tracks.copy(), int(rng.integers(len(tracks)))
    out[channel] = shaping.coloured_noise(tracks.shape[1], rate_hz, rng) * shaping.amplitude(size)
    return out, Where(channel, 0, tracks.shape[1])


def polarity(tracks: Array, rate_hz: int, rng: np.random.Generator, size: float) -> tuple[Array, Where]:
    """One microphone with its polarity reversed."""
    out, channel = tracks.copy(), int(rng.integers(len(tracks)))
    out[channel] *= -1
    return out, Where(channel, 0, tracks.shape[1])


def delay(tracks: Array, rate_hz: int, rng: np.random.Generator, size: float) -> tuple[Array, Where]:
    """One microphone late by ``size`` seconds; what is pushed past the end is lost."""
    out, channel = tracks.copy(), int(rng.integers(len(tracks)))
    shift = int(size * rate_hz)
    start = tracks[channel, :shift][::-1]  # a start of pure zeros would give it away
    out[channel] = np.concatenate((start, tracks[channel, :-shift]))
    return out, Where(channel, 0, tracks.shape[1])


def digital_click(tracks: Array, rate_hz: int, rng: np.random.Generator, size: float) -> tuple[Array, Where]:
    """A digital click of 1 to 3 samples, ``size`` dB against the track's peak, anywhere in the take."""
    out, channel = tracks.copy(), int(rng.integers(len(tracks)))
    count = int(rng.integers(1, 4))
    at = int(rng.integers(rate_hz // 10, tracks.shape[1] - rate_hz // 10))
    height = shaping.amplitude(size) * np.abs(tracks[channel]).max() * rng.choice([-1, 1])
    out[channel, at : at + count] += height * np.array([1.0, -0.7, 0.4])[:count]
    return out, Where(channel, at, at + count)


def _loud_place(track: Array, rate_hz: int, rng: np.random.Generator) -> int:
    """Return a sample in one of the frames within 15 dB of the loudest."""
    levels = shaping.frame_levels_db(track, rate_hz)
    return int(rng.choice(np.flatnonzero(levels >= levels.max() - 15))) * round(shaping.FRAME_S * rate_hz)


MISHAPS: dict[str, Mishap] = {
    mishap.kind: mishap
    for mishap in (
        Mishap("dropout", dropout, 0.005, 0.06, "s"),
        Mishap("clipped", clipped, 1.0, 6.0, "dB"),
        Mishap("dead-track", dead_track, -96.0, -85.0, "dBFS"),
        Mishap("polarity", polarity, 1.0, 1.0, ""),
        Mishap("delay", delay, 0.003, 0.02, "s"),
        Mishap("digital-click", digital_click, -22.0, -6.0, "dB"),
    )
}
