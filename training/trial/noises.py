"""Noises that do not belong to a take, and the natural sounds of playing that do: dry, mono, 48 kHz.

A noise is a recorded clip, where the folder of recordings holds its kind, or a synthesised one. Lasting ones (hum,
rumble, hiss) fill a length.
"""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

from training.public_recordings import Recording
from training.trial.notes import load
from training.trial.rooms import RATE_HZ, floor

Array = npt.NDArray[np.float64]
# Kind of fault -> categories of noise.csv that hold its clips.
CATEGORIES = {
    "creak": ("creak",),
    "knock": ("body_knock", "thump", "slap"),
    "breath": ("mouth",),
    "voice": ("voice",),
    "footstep": ("footstep",),
    "click": ("click",),
}
LASTING = ("hum", "rumble", "hiss")
PASSING = ("creak", "knock", "breath", "voice", "page", "footstep", "click")


class Clips:
    """The clips of a folder of recordings by kind of fault; without a folder every noise is synthesised."""

    def __init__(self, folder: Path | None):
        rows = list(csv.DictReader((folder / "noise.csv").open(encoding="utf-8"))) if folder else []
        self._paths = {
            kind: [Path(folder or "") / row["path"] for row in rows if row["category"] in categories]
            for kind, categories in CATEGORIES.items()
        }

    def noise(self, kind: str, rng: np.random.Generator) -> Array:
        """Return a passing noise of RMS level 1 over its loudest 50 ms."""
        paths = self._paths.get(kind, [])
        if paths and rng.random() < 0.7:
            path = paths[int(rng.integers(len(paths)))]
            samples = load(Recording(path, "noise", "", ""))[: int(1.5 * RATE_HZ)]
        else:
            samples = SYNTHESISED[kind](rng)
        return samples / max(loudest(samples), 1e-9)


def loudest(samples: Array) -> float:
    """Return the highest RMS over 50 ms."""
    width = int(0.05 * RATE_HZ)
    return float(np.sqrt(np.max(ndimage.uniform_filter1d(samples**2, width))))


def lasting(kind: str, length: int, rng: np.random.Generator) -> Array:
    """Return a lasting noise of RMS level 1: hum of the mains, rumble below 45 Hz, or hiss above 3 kHz."""
    time_s = np.arange(length) / RATE_HZ
    if kind == "hum":
        hz = float(rng.choice([50.0, 60.0]))
        partials = [np.sin(2 * np.pi * hz * k * time_s + rng.uniform(0, 6.3)) / k for k in (1, 2, 3, 4, 6)]
        noise = np.sum(partials, axis=0)
    else:
        edge_hz, side = (45.0, "low") if kind == "rumble" else (3_000.0, "high")
        band = signal.butter(3, edge_hz, side, fs=RATE_HZ, output="sos")
        noise = signal.sosfilt(band, rng.standard_normal(length))
    return noise / np.sqrt(np.mean(noise**2))


def puff(rng: np.random.Generator) -> Array:
    """Return the puff or thump of a breath against a microphone: noise below 60 Hz that swells for 0.1 s.

    Its loudest 50 ms have an RMS of 1.
    """
    length = int(0.22 * RATE_HZ)
    band = signal.butter(4, (12, 60), "band", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(band, rng.standard_normal(length + RATE_HZ // 4))[RATE_HZ // 4 :]
    shape = np.interp(np.arange(length) / RATE_HZ, (0, 0.04, 0.12, 0.22), (0, 1, 0.7, 0))
    return noise * shape / max(loudest(noise * shape), 1e-9)


def _band(rng: np.random.Generator, length_s: float, low_hz: float, high_hz: float) -> Array:
    band = signal.butter(2, (low_hz, high_hz), "band", fs=RATE_HZ, output="sos")
    return signal.sosfilt(band, floor(int(length_s * RATE_HZ), 0, -1, rng))


def _decay(samples: Array, decay_s: float) -> Array:
    return samples * np.exp(-np.arange(len(samples)) / RATE_HZ / decay_s)


def _creak(rng: np.random.Generator) -> Array:
    """Return wood that sticks and slips: a train of short resonances that speeds up and slows down."""
    creak = np.zeros(int(0.6 * RATE_HZ))
    grain = _decay(_band(rng, 0.04, 500, 2_500), 0.006)
    place = 0.0
    while place < 0.5:
        start = int(place * RATE_HZ)
        creak[start : start + len(grain)] += grain * rng.uniform(0.4, 1)
        place += 0.01 + 0.025 * abs(np.sin(6 * place)) * rng.uniform(0.7, 1.3)
    return creak


def _steps(rng: np.random.Generator) -> Array:
    one = _decay(_band(rng, 0.2, 40, 400), 0.03)
    return np.concatenate((one, np.zeros(int(0.3 * RATE_HZ)), one * rng.uniform(0.6, 1)))


def _voice(rng: np.random.Generator) -> Array:
    """Return two syllables: pulses at 90 to 220 Hz through two formants."""
    time_s = np.arange(int(0.5 * RATE_HZ)) / RATE_HZ
    pulses = signal.sawtooth(2 * np.pi * rng.uniform(90, 220) * time_s)
    formants = [signal.butter(1, (hz * 0.9, hz * 1.1), "band", fs=RATE_HZ, output="sos") for hz in (600, 1_300)]
    return np.sum([signal.sosfilt(sos, pulses) for sos in formants], axis=0) * np.abs(np.sin(2 * np.pi * 2 * time_s))


def _page(rng: np.random.Generator) -> Array:
    rustle = _band(rng, 0.5, 1_500, 9_000)
    return rustle * np.interp(np.arange(len(rustle)), np.linspace(0, len(rustle), 12), rng.random(12) ** 2)


SYNTHESISED: dict[str, Callable[[np.random.Generator], Array]] = {
    "creak": _creak,
    "knock": lambda rng: _decay(_band(rng, 0.25, 60, 900), 0.02),
    "breath": lambda rng: _band(rng, 0.6, 400, 6_000) * np.hanning(int(0.6 * RATE_HZ)),
    "voice": _voice,
    "page": _page,
    "footstep": _steps,
    "click": lambda rng: _decay(_band(rng, 0.03, 1_500, 9_000), 0.002),
}
