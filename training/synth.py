"""Invented wind notes, by our own additive synthesis: a voice, a pitch, a dynamic and an articulation in,
one dry note out (one channel, float64, onset at sample 0).

A note is a sum of harmonics under one loudness envelope. Harmonic k follows that envelope raised to a power
that grows with k, so that a loud note is brighter than a soft one and every note darkens as it dies. Fixed
resonances (formants) colour it, a short burst of air and a small scoop in pitch open it, and pitch and level
drift a little. Every note differs a little; the generator decides how.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from training import note_editing as shaping
from training.note_editing import Array
from training.plans import TakePlan

# Effort from 0 to 1 and peak level; 3 to 5 dB from one dynamic to the next.
EFFORT = {"pp": 0.12, "p": 0.25, "mp": 0.38, "mf": 0.52, "f": 0.72, "ff": 0.95}
PEAK_DBFS = {"pp": -30.0, "p": -26.0, "mp": -22.0, "mf": -18.0, "f": -15.0, "ff": -12.0}
MOST_HARMONICS = 40
HIGHEST_HZ = 12_000.0


@dataclass(frozen=True)
class Voice:
    """One invented instrument: its resonances, how bright it is and how it speaks."""

    formants_hz: tuple[float, ...]
    rolloff_db_oct: float  # of the harmonics at full effort
    darkening_db_oct: float  # steeper by this at no effort
    even_db: float = 0.0  # level of even harmonics: far below 0 for a stopped cylinder
    attack_s: float = 0.05
    vibrato_cents: float = 0.0
    air_db: float = -48.0  # steady breath noise under the tone


VOICES: dict[str, Voice] = {
    "horn": Voice((340, 750), -7.5, 10.0, attack_s=0.05),
    "trombone": Voice((520, 1500), -5.0, 9.0, attack_s=0.04),
    "tuba": Voice((230, 400), -9.5, 9.0, attack_s=0.06, air_db=-44.0),
    "clarinet": Voice((1500, 3000), -7.0, 7.0, even_db=-16.0, attack_s=0.045),
    "bassoon": Voice((500, 1150), -6.5, 6.0, attack_s=0.035, vibrato_cents=4.0),
    "oboe": Voice((1100, 2800), -4.0, 6.0, attack_s=0.03, vibrato_cents=7.0),
}


@dataclass(frozen=True)
class Articulation:
    """The shape of a note in time: its length, and how fast it opens and closes."""

    length_s: float
    attack: float  # factor on the voice's attack time
    release_s: float
    sag_db: float  # level lost from the opening to the end


ARTICULATIONS: dict[str, Articulation] = {
    "sustain": Articulation(1.3, 1.2, 0.12, 0.5),
    "marcato": Articulation(0.6, 0.7, 0.1, 5.0),
    "staccato": Articulation(0.26, 0.8, 0.08, 2.0),
}


def random_voice(rng: np.random.Generator) -> Voice:
    """Draw an instrument that nobody has."""
    centres = tuple(float(hz) for hz in 200 * 2 ** np.sort(rng.uniform(0, 4, size=int(rng.integers(1, 4)))))
    return Voice(
        centres,
        rng.uniform(-11, -3),
        rng.uniform(4, 12),
        rng.choice([0.0, rng.uniform(-20, -6)], p=[0.7, 0.3]),
        rng.uniform(0.012, 0.09),
        rng.choice([0.0, rng.uniform(2, 12)]),
        rng.uniform(-56, -36),
    )


def render_note(
    voice: Voice,
    midi_pitch: int,
    dynamic: str,
    articulation: str,
    rng: np.random.Generator,
    rate_hz: int,
    a4_hz: float = 440.0,
) -> Array:
    """Return one note; ``rng`` draws its natural variation (+-3 cents, +-0.5 dB, +-3 % length)."""
    shape, effort = ARTICULATIONS[articulation], EFFORT[dynamic] * (1 + 0.03 * rng.standard_normal())
    f0_hz = a4_hz * 2 ** ((midi_pitch - 69) / 12 + np.clip(rng.normal(0, 1.5), -3, 3) / 1200)
    envelope = _envelope(voice, shape, rng, rate_hz)
    tone = _tone(voice, f0_hz * _drift(voice, envelope.size, rng, rate_hz), envelope, effort, rate_hz)
    tone /= np.abs(tone).max()
    tone += _air(voice, shape, envelope, rng, rate_hz)
    peak_db = PEAK_DBFS[dynamic] + np.clip(rng.normal(0, 0.25), -0.5, 0.5)
    return tone * (shaping.amplitude(float(peak_db)) / np.abs(tone).max())


def _envelope(voice: Voice, shape: Articulation, rng: np.random.Generator, rate_hz: int) -> Array:
    """Return the loudness contour, 0 to 1: raised-cosine opening, slow sag, exponential release."""
    length_s = shape.length_s * (1 + np.clip(rng.normal(0, 0.012), -0.03, 0.03))
    attack_s = voice.attack_s * shape.attack * (1 + np.clip(rng.normal(0, 0.06), -0.15, 0.15))
    time_s = np.arange(round((length_s + 5 * shape.release_s) * rate_hz)) / rate_hz
    opening = 0.5 - 0.5 * np.cos(np.pi * np.clip(time_s / attack_s, 0, 1))
    sag_db = shape.sag_db * np.clip((time_s - attack_s) / length_s, 0, 1)
    # The release falls by 60 dB in 4.5 release times, after the sounding length.
    fall_db = 60 * np.maximum(0, time_s - length_s + 0.5 * shape.release_s) / (4.5 * shape.release_s)
    flutter_db = 0.25 * _slow_noise(time_s.size, 6.0, rng, rate_hz)
    return opening * 10 ** ((flutter_db - sag_db - fall_db) / 20)


def _drift(voice: Voice, count: int, rng: np.random.Generator, rate_hz: int) -> Array:
    """Return the factor on the pitch: a scoop in the first 60 ms, slow drift, vibrato coming in late."""
    time_s = np.arange(count) / rate_hz
    cents = -rng.uniform(5, 18) * np.exp(-time_s / 0.02) + 1.2 * _slow_noise(count, 4.0, rng, rate_hz)
    onset = np.clip((time_s - 0.25) / 0.3, 0, 1)
    turn = np.sin(2 * np.pi * rng.uniform(4.8, 5.6) * time_s + rng.uniform(0, 2 * np.pi))
    return 2 ** ((cents + voice.vibrato_cents * onset * turn) / 1200)


def _tone(voice: Voice, f0_hz: Array, envelope: Array, effort: float, rate_hz: int) -> Array:
    """Sum the harmonics: phase k times the first one's, so one complex product leads from k to k + 1."""
    turn = np.exp(2j * np.pi * np.cumsum(f0_hz) / rate_hz)
    log_envelope = np.log(np.maximum(envelope, 1e-6))
    middle_hz, wave, out = float(np.median(f0_hz)), np.ones_like(turn), np.zeros(len(turn))
    for k in range(1, min(MOST_HARMONICS, int(HIGHEST_HZ / middle_hz)) + 1):
        wave *= turn
        level_db = _harmonic_db(voice, k, k * middle_hz, effort)
        out += wave.imag * np.exp(log_envelope * (1 + 0.35 * np.log2(k))) * shaping.amplitude(level_db)
    return out


def _harmonic_db(voice: Voice, k: int, frequency_hz: float, effort: float) -> float:
    slope = voice.rolloff_db_oct - voice.darkening_db_oct * (1 - effort)
    even = voice.even_db if k % 2 == 0 and frequency_hz < 2500 else 0.0
    bumps = [9 * np.exp(-((np.log2(frequency_hz / centre) / 0.45) ** 2)) for centre in voice.formants_hz]
    return float(slope * np.log2(k) + even + sum(bumps))


def _air(voice: Voice, shape: Articulation, envelope: Array, rng: np.random.Generator, rate_hz: int) -> Array:
    """Return breath noise: steady under the tone, and a short burst as it opens."""
    burst = np.exp(-np.arange(len(envelope)) / (0.02 * shape.attack * rate_hz))
    noise = shaping.high_shelf(shaping.coloured_noise(len(envelope), rate_hz, rng), rate_hz, 1200.0, 8.0)
    opening = np.minimum(1, np.arange(len(envelope)) / (0.002 * rate_hz))
    return noise * (shaping.amplitude(voice.air_db) * (envelope + 2.5 * burst * opening))


def _slow_noise(count: int, cutoff_hz: float, rng: np.random.Generator, rate_hz: int) -> Array:
    """Return a smooth random contour of RMS about 1 with nothing above ``cutoff_hz``."""
    points = rng.standard_normal(int(count / rate_hz * 2 * cutoff_hz) + 4)
    place = np.arange(count) * (2 * cutoff_hz / rate_hz) + 1
    return np.asarray(ndimage.map_coordinates(points, [place], order=3, mode="nearest"))


class SynthPlayer:
    """Plays the invented instruments: any pitch, any number of repetitions."""

    def __init__(self, rate_hz: int, a4_hz: float) -> None:
        self.rate_hz, self.a4_hz = rate_hz, a4_hz

    def can_play(self, plan: TakePlan, midi_pitch: int) -> bool:
        """Tell whether this pitch can be had: always."""
        return True

    def play(self, plan: TakePlan, midi_pitch: int, repetition: int, rng: np.random.Generator) -> Array:
        """Return one dry note with its onset at sample 0."""
        voice = VOICES[plan.instrument]
        return render_note(voice, midi_pitch, plan.dynamic, plan.articulation, rng, self.rate_hz, self.a4_hz)
