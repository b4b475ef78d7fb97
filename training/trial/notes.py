"""Real notes made ready for a take, and what can go wrong in playing one: dry, mono, 48 kHz.

A prepared note starts 20 ms before its onset and ends with its natural release. Lengths are from the onset to where
the release starts, pitch is changed by resampling, level is the RMS of the held part in dB.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import gcd

import numpy as np
import numpy.typing as npt
import soundfile
from scipy import ndimage, signal

from training.public_recordings import Recording
from training.trial.jnd import amount
from training.trial.rooms import RATE_HZ

Array = npt.NDArray[np.float64]
LEAD_S = 0.02


@dataclass(frozen=True)
class TrialNote:
    """A note's samples [shape=(sample,)], where in them it starts and where its release starts, in samples."""

    samples: Array
    onset: int
    release: int

    @property
    def held(self) -> Array:
        """The samples from the onset to the release."""
        return self.samples[self.onset : self.release]

    @property
    def level_db(self) -> float:
        """The RMS level of the held part."""
        return float(10 * np.log10(np.mean(self.held**2) + 1e-12))


def load_note(recording: Recording, length_s: float, cents: float) -> TrialNote:
    """Return a recording at a length and at a tuning relative to its nominal pitch.

    The length is what the recording can give: its middle is taken out, never repeated.
    """
    samples = load(recording)
    note = shortened(found_in(samples), length_s)
    return bent(note, np.full(2, cents - recording.tuning_cents))


def load(recording: Recording) -> Array:
    """Return a recording's samples at 48 kHz."""
    samples, rate = soundfile.read(recording.path, always_2d=True)
    mono = np.asarray(samples[:, recording.channel], dtype=np.float64)
    common = gcd(rate, RATE_HZ)
    if max(rate, RATE_HZ) // common <= 1_000:
        return signal.resample_poly(mono, RATE_HZ // common, rate // common)
    return _at_positions(mono, np.arange(int(len(mono) * RATE_HZ / rate)) * rate / RATE_HZ)


def found_in(samples: Array) -> TrialNote:
    """Return the note in a recording, from its rise to -25 dB of the loudest until it has fallen by 55 dB.

    The release starts where the level last is within 8 dB of the held part's median.
    """
    level = _level(samples)
    onset = int(np.argmax(level > level.max() * 10 ** (-25 / 20)))
    held = np.median(level[onset : onset + max(1, int(0.6 * (len(level) - onset)))])
    release = int(len(level) - np.argmax(level[::-1] > held * 10 ** (-8 / 20)))
    end = int(len(level) - np.argmax(level[::-1] > held * 10 ** (-55 / 20)))
    start = max(0, onset - int(LEAD_S * RATE_HZ))
    note = samples[start:end].copy()
    fade = min(int(0.02 * RATE_HZ), len(note))
    note[-fade:] *= np.linspace(1, 0, fade)
    lead = onset - start
    note[:lead] *= np.linspace(0, 1, lead)
    return TrialNote(note, lead, release - start)


def shortened(note: TrialNote, length_s: float) -> TrialNote:
    """Return a note with the end of its held part taken out; the natural release follows."""
    length = int(length_s * RATE_HZ)
    fade = int(0.03 * RATE_HZ)
    cut = note.onset + length - fade
    if length >= note.release - note.onset or cut < note.onset + fade:
        return note
    search = int(0.012 * RATE_HZ)
    before = note.samples[cut : cut + fade]
    after = note.samples[note.release - fade - search : note.release + search]
    start = note.release - fade - search + int(np.argmax(np.correlate(after, before, "valid")))
    ramp = np.linspace(0, 1, fade)
    joint = before * (1 - ramp) + note.samples[start : start + fade] * ramp
    samples = np.concatenate((note.samples[:cut], joint, note.samples[start + fade :]))
    return TrialNote(samples, note.onset, note.onset + length)


def bent(note: TrialNote, cents: Array) -> TrialNote:
    """Return a note with a pitch contour over its held part [shape=(n,)]; the last value holds in the release."""
    places = np.linspace(note.onset, note.release, len(cents))
    contour = np.interp(np.arange(len(note.samples)), places, cents)
    samples = _warped(note.samples, contour)
    scale = len(samples) / len(note.samples)
    return TrialNote(samples, note.onset, int(note.release * scale))


def scaled(note: TrialNote, decibels: float | Array) -> TrialNote:
    """Return a note louder or softer, by one value or along a line over its held part [shape=(n,)]."""
    line = np.atleast_1d(np.asarray(decibels, dtype=np.float64))
    places = np.linspace(note.onset, note.release, len(line))
    gain = 10 ** (np.interp(np.arange(len(note.samples)), places, line) / 20)
    return TrialNote(note.samples * gain, note.onset, note.release)


def _swing(note: TrialNote, cents: float, hz: float) -> TrialNote:
    time_s = np.arange(0, len(note.held) / RATE_HZ, 0.005)
    return bent(note, cents * np.sin(2 * np.pi * hz * time_s) * np.clip(time_s / 0.1, 0, 1))


def _sag(note: TrialNote, cents: float) -> TrialNote:
    return bent(note, -cents * np.clip((np.linspace(0, 1, 200) - 0.6) / 0.4, 0, 1))


def _slow_attack(note: TrialNote, rise_s: float) -> TrialNote:
    gain = np.ones(len(note.samples))
    rise = min(int(rise_s * RATE_HZ), len(note.held))
    gain[: note.onset] = 0
    gain[note.onset : note.onset + rise] = np.sin(np.linspace(0, np.pi / 2, rise)) ** 2
    return TrialNote(note.samples * gain, note.onset, note.release)


def _split_attack(note: TrialNote, level_db: float) -> TrialNote:
    """Put a false start of 60 ms before the note, with 50 ms between."""
    false = note.samples[: note.onset + int(0.06 * RATE_HZ)] * 10 ** (level_db / 20)
    false = false * signal.windows.tukey(len(false), 0.3)
    lead = np.concatenate((false, np.zeros(int(0.05 * RATE_HZ))))
    return TrialNote(np.concatenate((lead, note.samples)), note.onset, note.release + len(lead))


def _cracked_attack(note: TrialNote, level_db: float) -> TrialNote:
    """Add another partial, a fifth above, to the first 90 ms, and hold the right one back."""
    length = min(int(0.09 * RATE_HZ), len(note.held))
    wrong = _warped(note.held, np.full(len(note.held), 702.0))[:length]
    window = signal.windows.tukey(len(wrong), 0.5)
    samples = note.samples.copy()
    place = slice(note.onset, note.onset + len(wrong))
    gain = 10 ** (level_db / 20)
    samples[place] = samples[place] * (1 - min(gain, 1) * 0.8 * window) + wrong * window * gain
    return TrialNote(samples, note.onset, note.release)


def _breathy_start(note: TrialNote, level_db: float, rng: np.random.Generator) -> TrialNote:
    length = min(int(0.25 * RATE_HZ), len(note.samples) - note.onset)
    band = signal.butter(2, (800, 7_000), "band", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(band, rng.standard_normal(length)) * signal.windows.tukey(length, 0.6)
    noise *= 10 ** ((note.level_db + level_db) / 20) / np.std(noise)
    samples = note.samples.copy()
    samples[note.onset : note.onset + length] += noise
    return TrialNote(samples, note.onset, note.release)


def _tilted(note: TrialNote, decibels: float, midi: int) -> TrialNote:
    """Change everything above three times the pitch, with no change of level."""
    spectrum = np.fft.rfft(note.samples)
    hz = np.fft.rfftfreq(len(note.samples), 1 / RATE_HZ)
    corner_hz = 3 * 440 * 2 ** ((midi - 69) / 12)
    share = 1 / (1 + (corner_hz / np.maximum(hz, 1)) ** 6)
    tilted = TrialNote(
        np.fft.irfft(spectrum * 10 ** (decibels * share / 20), len(note.samples)), note.onset, note.release
    )
    return scaled(tilted, note.level_db - tilted.level_db)


# What a planted fault does to a prepared note: (note, amount in the kind's unit, MIDI pitch, generator) -> note.
Spoil = Callable[[TrialNote, float, int, np.random.Generator], TrialNote]
SPOILS: dict[str, Spoil] = {
    "sharp": lambda note, cents, midi, rng: bent(note, np.array([cents, cents])),
    "flat": lambda note, cents, midi, rng: bent(note, np.array([-cents, -cents])),
    "late sag": lambda note, cents, midi, rng: _sag(note, cents),
    "wobble": lambda note, cents, midi, rng: _swing(note, cents, 2.5),
    "vibrato": lambda note, cents, midi, rng: _swing(note, cents, 5.5),
    "slow attack": lambda note, rise_s, midi, rng: _slow_attack(note, rise_s),
    "split attack": lambda note, decibels, midi, rng: _split_attack(note, decibels - 24),
    "cracked attack": lambda note, decibels, midi, rng: _cracked_attack(note, decibels - 18),
    "breathy start": lambda note, decibels, midi, rng: _breathy_start(note, decibels - 33, rng),
    "too short": lambda note, share, midi, rng: shortened(note, len(note.held) / RATE_HZ * max(1 - share, 0.2)),
    "too loud": lambda note, decibels, midi, rng: scaled(note, decibels),
    "too soft": lambda note, decibels, midi, rng: scaled(note, -decibels),
    "swell": lambda note, decibels, midi, rng: scaled(note, np.array([-decibels / 2, decibels / 2])),
    "fade": lambda note, decibels, midi, rng: scaled(note, np.array([decibels / 2, -decibels / 2])),
    "dull": lambda note, decibels, midi, rng: _tilted(note, -decibels, midi),
    "bright": lambda note, decibels, midi, rng: _tilted(note, decibels, midi),
}


def spoilt(note: TrialNote, kind: str, size: float, midi: int, rng: np.random.Generator) -> TrialNote:
    """Return a note with a fault of a size in JND."""
    return SPOILS[kind](note, amount(kind, size), midi, rng)


def _level(samples: Array) -> Array:
    """Return the RMS over 10 ms around each sample."""
    width = int(0.01 * RATE_HZ)
    return np.sqrt(np.maximum(ndimage.uniform_filter1d(samples**2, width), 0))


def _warped(samples: Array, cents: Array) -> Array:
    """Return the samples read at a speed of 2^(cents / 1200), cents [shape=(sample,)] at the place that is read."""
    # Time that passes at each input sample is the inverse of the speed there.
    elapsed = np.concatenate(([0.0], np.cumsum(2 ** (-cents[:-1] / 1200))))
    return _at_positions(samples, np.interp(np.arange(int(elapsed[-1])), elapsed, np.arange(len(samples))))


def _at_positions(samples: Array, positions: Array) -> Array:
    """Return the samples at fractional positions, by linear interpolation of a fourfold oversampling."""
    fine = signal.resample_poly(samples, 4, 1)
    return np.interp(positions * 4, np.arange(len(fine)), fine)
