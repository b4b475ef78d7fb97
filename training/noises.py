"""Noise hits: where one lands in a take and how loud it is, and an invented bank of them.

A hit has one place in the hall, so every microphone records it at its own level and time. Its level is the loudest 10
ms, in the microphone where that is highest, under the RMS of the note it follows.
"""

from collections.abc import Callable, Mapping

import numpy as np
from scipy import signal

from training import note_editing as shaping
from training.note_editing import Array
from training.plans import NOISE, Laid, NoiseClip, Stage, Truth
from training.recipe import NoiseRecipe

Maker = Callable[[int, np.random.Generator], Array]


def add_noise(tracks: Array, laid: Laid, stage: Stage, rng: np.random.Generator) -> tuple[Array, Truth]:
    """Add one noise hit after one note, near one microphone; return the tracks and what was done."""
    rate_hz, recipe = stage.rate_hz, stage.recipe.noise
    clip = stage.noise.draw(rng)
    index = int(rng.integers(len(laid.notes)))
    at, length = _window(laid, index, len(clip.waveform), rate_hz, recipe.longest_s, rng)
    near = stage.recipe.mics[int(rng.integers(len(tracks)))]
    place = (near.x_m + rng.uniform(0.4, 1.5), near.y_m + rng.uniform(-1.0, 1.0))
    dry = shaping.faded(clip.waveform[:length], rate_hz, 0.003, 0.04)
    recorded = stage.hall.record(dry, place, seed=int(rng.integers(2**31)))[:, : tracks.shape[1] - at]
    levels = [shaping.peak_rms_db(track, rate_hz) for track in recorded]
    mic = int(np.argmax(levels))
    note_db = shaping.rms_db(tracks[mic, laid.onsets[index] : laid.ends[index]])
    level_db = _level_db(note_db, stage.recipe.mics[mic].floor_dbfs, recipe, rng)
    out = tracks.copy()
    out[:, at : at + recorded.shape[1]] += recorded * shaping.amplitude(level_db - levels[mic])
    start_s = at / rate_hz + stage.hall.delay_s(mic, place)
    return out, {
        "kind": clip.kind,
        "name": NOISE,
        "size": note_db - level_db,
        "unit": "dB",
        "note": index + 1,
        "start_s": start_s,
        "end_s": start_s + length / rate_hz,
        "mic": stage.recipe.mics[mic].name,
        "level_dbfs": level_db,
        "source": clip.source,
        "in_ring": at < laid.rings[index],
    }


def _window(
    laid: Laid, index: int, clip_length: int, rate_hz: int, longest_s: float, rng: np.random.Generator
) -> tuple[int, int]:
    """Return where a hit starts and how many samples of it fit before the next note."""
    low = laid.ends[index] + round(0.1 * rate_hz)
    high = laid.onsets[index + 1] if index + 1 < len(laid.onsets) else laid.total
    length = min(clip_length, round(longest_s * rate_hz), int(0.8 * (high - low)))
    return int(rng.integers(low, max(low + 1, high - length))), length


def _level_db(note_db: float, floor_db: float, recipe: NoiseRecipe, rng: np.random.Generator) -> float:
    # A hit under the microphone's own floor is inaudible, so it would not be a fault.
    return max(note_db - rng.uniform(*recipe.under_note_db), floor_db + recipe.least_over_floor_db)


class InventedNoise:
    """A bank of synthesised noises; without ``makers`` knock, creak, breath, mechanism, paper."""

    def __init__(self, rate_hz: int, makers: Mapping[str, Maker] | None = None) -> None:
        self.rate_hz = rate_hz
        few = {"knock": knock, "creak": creak, "breath": breath, "mechanism": mechanism, "paper": paper}
        self.makers = dict(makers or few)

    def draw(self, rng: np.random.Generator) -> NoiseClip:
        """Return one clip of a random kind."""
        kind = str(rng.choice(sorted(self.makers)))
        return NoiseClip(kind, self.makers[kind](self.rate_hz, rng), "invented")


def knock(rate_hz: int, rng: np.random.Generator) -> Array:
    """A stand or a foot: a few low, quickly dying resonances and a short contact noise."""
    time_s = np.arange(int(0.25 * rate_hz)) / rate_hz
    thump = sum(
        np.sin(2 * np.pi * rng.uniform(70, 420) * time_s) * np.exp(-time_s / rng.uniform(0.015, 0.06))
        for _ in range(4)
    )
    return thump + 0.6 * rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.003)


def creak(rate_hz: int, rng: np.random.Generator) -> Array:
    """A chair: irregular stick-slip pulses that excite a few wooden resonances."""
    count = int(rng.uniform(0.3, 0.7) * rate_hz)
    pulses, at = np.zeros(count), 0.0
    while at < count:
        pulses[int(at)] = rng.uniform(0.3, 1)
        at += rate_hz / rng.uniform(45, 130)
    out = np.zeros(count)
    for centre_hz in rng.uniform(350, 2600, size=4):
        b, a = signal.iirpeak(centre_hz, 12, fs=rate_hz)
        out += signal.lfilter(b, a, pulses)
    return shaping.faded(out, rate_hz, 0.05, 0.1)


def breath(rate_hz: int, rng: np.random.Generator) -> Array:
    """A player breathing in: band-limited air that swells and stops."""
    count = int(rng.uniform(0.35, 0.6) * rate_hz)
    sos = signal.butter(2, (700, 6000), "bandpass", fs=rate_hz, output="sos")
    air = signal.sosfilt(sos, rng.standard_normal(count))
    return np.asarray(air * np.sin(np.pi * np.linspace(0, 1, count) ** 1.5) ** 2)


def mechanism(rate_hz: int, rng: np.random.Generator) -> Array:
    """A valve or key: two metallic ticks, down and up."""
    time_s = np.arange(int(0.3 * rate_hz)) / rate_hz
    out = np.zeros(len(time_s))
    for start_s in (0.0, rng.uniform(0.06, 0.2)):
        since_s = np.maximum(0, time_s - start_s)
        for tone_hz in rng.uniform(900, 5200, size=5):
            ring = np.sin(2 * np.pi * tone_hz * since_s) * np.exp(-since_s / 0.009)
            out += ring * (time_s >= start_s) * rng.uniform(0.3, 1)
    return out


def paper(rate_hz: int, rng: np.random.Generator) -> Array:
    """A page turn: treble noise in irregular gusts."""
    count = int(rng.uniform(0.4, 0.8) * rate_hz)
    sos = signal.butter(2, 2000, "highpass", fs=rate_hz, output="sos")
    gusts = np.interp(np.arange(count), np.linspace(0, count, 24), rng.uniform(0, 1, size=24) ** 2)
    return shaping.faded(signal.sosfilt(sos, rng.standard_normal(count)) * gusts, rate_hz, 0.02, 0.1)
