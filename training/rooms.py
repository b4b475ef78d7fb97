"""A hall with several microphones: one dry waveform at one place in, one track a microphone out.

Places are (x, y) in metres, the player at (0, 0). A microphone records the direct sound (1/distance, delayed by
distance / 343 m/s), a few early reflections and a diffuse tail that dies by 60 dB in the hall's reverberation time,
sooner in the treble; then its own colour, its own floor noise and, where asked, hum. Tracks have shape (channel,
sample), float64. Everything follows from the seed.
"""

from dataclasses import dataclass

import numpy as np
from scipy import signal

from training import note_editing as shaping
from training.note_editing import Array
from triage.config import Strict

SOUND_M_S = 343.0
BANDS_HZ = (250.0, 1000.0, 4000.0)  # edges of the bands that decay differently
BAND_DECAY = (1.15, 1.0, 0.8, 0.5)  # share of the reverberation time, from bass to treble
EARLY_COUNT = 8
Place = tuple[float, float]


class MicRecipe(Strict):
    """One microphone: where it stands, how loud the player comes through, its colour and its noise."""

    name: str
    role: str
    x_m: float
    y_m: float
    level_db: float = 0.0  # gain from the dry note's level to the track's, direct and tail together
    shelf_db: float = 0.0  # treble against bass
    floor_dbfs: float = -70.0
    hum_dbfs: float | None = None
    hum_hz: float = 50.0


class HallRecipe(Strict):
    """The room: ``rt60_s`` in the middle of the band; nearer than ``critical_m`` the direct sound leads."""

    rt60_s: float
    critical_m: float = 2.5


@dataclass(frozen=True)
class Hall:
    """A hall ready to play in: ``tails`` (one diffuse tail a microphone) hold for the whole session."""

    mics: tuple[MicRecipe, ...]
    recipe: HallRecipe
    rate_hz: int
    tails: tuple[Array, ...]

    def record(self, waveform: Array, place: Place = (0.0, 0.0), seed: int = 0) -> Array:
        """Return what every microphone picks up of ``waveform`` played at ``place``, shape (channel, sample).

        ``seed`` fixes the early reflections; all tracks are as long as the longest ring-out.
        """
        responses = [self._response(index, place, seed) for index in range(len(self.mics))]
        longest = max(len(response) for response in responses)
        tracks = np.zeros((len(self.mics), len(waveform) + longest - 1))
        for track, response in zip(tracks, responses, strict=True):
            received = signal.oaconvolve(waveform, response)
            track[: len(received)] = received
        return tracks

    def delay_s(self, index: int, place: Place = (0.0, 0.0)) -> float:
        """Return the travel time from ``place`` to microphone ``index``."""
        return _distance_m(self.mics[index], place) / SOUND_M_S

    def floors(self, count: int, rng: np.random.Generator) -> Array:
        """Return ``count`` samples of every microphone's own noise and hum."""
        return np.stack([_floor(mic, count, self.rate_hz, rng) for mic in self.mics])

    def _response(self, index: int, place: Place, seed: int) -> Array:
        mic, tail = self.mics[index], self.tails[index]
        rng = np.random.default_rng([seed, index])
        distance = _distance_m(mic, place)
        arrive = round(self.delay_s(index, place) * self.rate_hz)
        response = np.zeros(arrive + len(tail) + round(0.06 * self.rate_hz))
        response[arrive] = 1 / distance
        for _ in range(EARLY_COUNT):
            after_s = rng.uniform(0.003, 0.05)
            # A reflection has gone further: less level, and either sign once off a few walls.
            strength = 0.5 / (distance + after_s * SOUND_M_S) * rng.choice([-1, 1])
            response[arrive + round(after_s * self.rate_hz)] += strength
        begin = arrive + round(0.01 * self.rate_hz)
        response[begin : begin + len(tail)] += tail / self.recipe.critical_m
        coloured = shaping.high_shelf(response, self.rate_hz, 1500.0, mic.shelf_db)
        return coloured * self._gain(mic)

    def _gain(self, mic: MicRecipe) -> float:
        """Return the session's fixed preamplifier gain: the player's sound arrives at ``level_db``."""
        energy = 1 / _distance_m(mic, (0.0, 0.0)) ** 2 + 1 / self.recipe.critical_m**2
        return shaping.amplitude(mic.level_db) / float(np.sqrt(energy))


def build_hall(mics: tuple[MicRecipe, ...], recipe: HallRecipe, rate_hz: int, seed: int) -> Hall:
    """Draw the diffuse tails of a hall; the same arguments give the same hall."""
    rng = np.random.default_rng([seed, 7])
    tails = tuple(_tail(recipe.rt60_s, rate_hz, rng) for _ in mics)
    return Hall(mics=mics, recipe=recipe, rate_hz=rate_hz, tails=tails)


def _tail(rt60_s: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """Return Gaussian noise of energy 1 that dies by 60 dB in ``rt60_s``, band by band."""
    count = int(rt60_s * BAND_DECAY[0] * rate_hz)
    time_s = np.arange(count) / rate_hz
    white, tail = rng.standard_normal(count), np.zeros(count)
    edges = (None, *BANDS_HZ, None)
    for low, high, share in zip(edges, edges[1:], BAND_DECAY, strict=False):
        tail += _band(white, low, high, rate_hz) * 10 ** (-3 * time_s / (share * rt60_s))
    tail *= np.minimum(1, time_s / 0.01)  # diffuseness builds up; a step would sound like an echo
    return tail / np.sqrt((tail**2).sum())


def _band(noise: Array, low_hz: float | None, high_hz: float | None, rate_hz: int) -> Array:
    if low_hz is None:
        sos = signal.butter(4, high_hz, "lowpass", fs=rate_hz, output="sos")
    elif high_hz is None:
        sos = signal.butter(4, low_hz, "highpass", fs=rate_hz, output="sos")
    else:
        sos = signal.butter(4, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sos, noise))


def _floor(mic: MicRecipe, count: int, rate_hz: int, rng: np.random.Generator) -> Array:
    noise = shaping.coloured_noise(count, rate_hz, rng) * shaping.amplitude(mic.floor_dbfs)
    if mic.hum_dbfs is not None:
        time_s = np.arange(count) / rate_hz
        parts = [np.sin(2 * np.pi * mic.hum_hz * k * time_s + k) / k for k in (1, 2, 3, 5)]
        hum = np.sum(parts, axis=0)
        noise += hum * shaping.amplitude(mic.hum_dbfs - shaping.rms_db(hum))
    return noise


def _distance_m(mic: MicRecipe, place: Place) -> float:
    return max(0.3, float(np.hypot(mic.x_m - place[0], mic.y_m - place[1])))
