"""A room of random size and absorption, and three microphones in it.

Impulse responses join the image sources of a rectangular room up to the second order (Allen and Berkley, JASA 65,
1979) and a diffuse tail of noise that decays in each octave band by its own reverberation time (Sabine). The level of
the tail follows from the critical distance, 0.057 sqrt(V / T) metres.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

Array = npt.NDArray[np.float64]
RATE_HZ = 48_000
SPEED_OF_SOUND_M_S = 343.0
BANDS_HZ = (125.0, 250.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0)
DISTANCES_M = {"close": (0.6, 1.2), "main": (3.0, 4.5), "room": (7.0, 10.0)}


@dataclass(frozen=True)
class Microphone:
    """One microphone: its impulse response from the player, its gain, and the spectrum of its noise floor."""

    name: str
    response: Array
    gain: float
    floor_dbfs: float
    floor_slope_db: float  # per octave


def microphones(rng: np.random.Generator) -> list[Microphone]:
    """Return the three microphones of a room drawn at random; a closer one has more direct sound."""
    size = np.array([rng.uniform(14, 26), rng.uniform(10, 18), rng.uniform(5, 10)])
    absorption = rng.uniform(0.12, 0.35)
    source = size * np.array([0.3, rng.uniform(0.35, 0.65), 0.2])
    return [
        Microphone(
            name,
            impulse_response(size, source, rng.uniform(*distances), absorption, rng),
            float(10 ** (rng.normal(0, 1.5) / 20)),
            float(rng.uniform(-82, -70)),
            float(rng.uniform(-4, -1)),
        )
        for name, distances in DISTANCES_M.items()
    ]


def impulse_response(
    size_m: Array, source_m: Array, distance_m: float, absorption: float, rng: np.random.Generator
) -> Array:
    """Return the response at a distance from the source, scaled to a direct sound of 1 at one metre."""
    angle = rng.uniform(-0.5, 0.5)
    microphone = source_m + distance_m * np.array([np.cos(angle), np.sin(angle), 0.05])
    return response_between(size_m, source_m, np.clip(microphone, 0.5, size_m - 0.5), absorption, rng)


def response_between(
    size_m: Array, source_m: Array, microphone_m: Array, absorption: float, rng: np.random.Generator
) -> Array:
    """Return the response between two places [shape=(3,)], scaled to a direct sound of 1 at one metre."""
    volume, surface = float(np.prod(size_m)), 2 * float(size_m[0] * size_m[1] + size_m[2] * (size_m[0] + size_m[1]))
    decay_s = 0.161 * volume / (surface * absorption)
    response = np.zeros(int((min(1.2 * decay_s, 2.2) + 0.1) * RATE_HZ))
    for orders in product(range(-1, 2), repeat=3):
        for mirrored in product((0, 1), repeat=3):
            image = np.where(mirrored, -source_m, source_m) + 2 * np.array(orders) * size_m
            reflections = int(np.sum(np.abs(2 * np.array(orders) - np.array(mirrored))))
            path_m = float(np.linalg.norm(image - microphone_m))
            place = round(path_m / SPEED_OF_SOUND_M_S * RATE_HZ)
            if reflections <= 2 and place < len(response):
                response[place] += (1 - absorption) ** (reflections / 2) / path_m
    critical_m = 0.057 * np.sqrt(volume / decay_s)
    return response + _tail(len(response), decay_s, rng) / critical_m


def _tail(length: int, decay_s: float, rng: np.random.Generator) -> Array:
    """Return decaying noise of energy 1; high bands decay sooner, through the air and soft surfaces."""
    time_s = np.arange(length) / RATE_HZ
    tail = np.zeros(length)
    for band_hz in BANDS_HZ:
        band = signal.butter(2, (band_hz / 1.42, band_hz * 1.42), "band", fs=RATE_HZ, output="sos")
        own_decay_s = decay_s * float(np.clip(1.15 - 0.12 * np.log2(band_hz / 250), 0.4, 1.2)) * rng.uniform(0.9, 1.1)
        noise = signal.sosfilt(band, rng.standard_normal(length))
        # -60 dB after the reverberation time, for a voice that starts when the echoes have become dense.
        tail += noise * 10 ** (-3 * time_s / own_decay_s) * np.clip((time_s - 0.01) / 0.03, 0, 1)
    return tail / np.sqrt(np.sum(tail**2))


def record(dry: Array, microphone: Microphone, drive: float, rng: np.random.Generator) -> Array:
    """Return what a microphone records of the dry sound, with its own noise floor, at full scale 1."""
    return in_room(dry, microphone) * drive + floor(len(dry), microphone.floor_dbfs, microphone.floor_slope_db, rng)


def in_room(dry: Array, microphone: Microphone) -> Array:
    """Return the dry sound through the room to a microphone, with its gain, without its noise floor."""
    return signal.fftconvolve(dry, microphone.response)[: len(dry)] * microphone.gain


def floor(length: int, level_dbfs: float, slope_db: float, rng: np.random.Generator) -> Array:
    """Return noise of an RMS level whose spectrum falls by a slope in dB per octave above 30 Hz."""
    padded = fft.next_fast_len(length, real=True)
    hz = np.maximum(fft.rfftfreq(padded, 1 / RATE_HZ), 30.0)
    noise = fft.irfft(fft.rfft(rng.standard_normal(padded)) * hz ** (slope_db / 6.02), padded)[:length]
    return noise / np.sqrt(np.mean(noise**2)) * 10 ** (level_dbfs / 20)
