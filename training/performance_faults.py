"""Faults of a player, planted into one dry note: what a producer would send back.

Each fault is a pure function ``(waveform, rate_hz, rng, size) -> waveform``; the note's onset is at sample 0
and stays there. ``FAULTS`` names every one with its kind (the spot kinds of the queue), its size and unit.
Faults of the microphones and files are in ``technical_faults.py``, noise in ``noises.py``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from training import note_editing as shaping
from training.note_editing import Array

Plant = Callable[[Array, int, np.random.Generator, float], Array]


@dataclass(frozen=True)
class Fault:
    """One way to spoil a note: ``low`` to ``high`` is the size, ``signed`` allows it both ways."""

    name: str
    kind: str
    plant: Plant
    low: float
    high: float
    unit: str
    signed: bool = False
    least_s: float = 0.0  # shortest sounding length on which it can be heard
    needs: Literal["any", "held", "steady"] = "any"  # held: not plucked; steady: nor dying away

    def draw(self, rng: np.random.Generator, sizes: dict[str, tuple[float, float]] | None = None) -> float:
        """Draw a size; ``sizes`` by name go before the fault's own."""
        size = float(rng.uniform(*(sizes or {}).get(self.name, (self.low, self.high))))
        return -size if self.signed and rng.random() < 0.5 else size

    def suits(self, note: Array, rate_hz: int) -> bool:
        """Tell whether this note can carry the fault so that it would be heard."""
        if shaping.sounding_end(note, rate_hz) < self.least_s * rate_hz:
            return False
        if self.needs != "any" and shaping.plucked(note, rate_hz):
            return False
        return self.needs != "steady" or shaping.steady(note, rate_hz)


def off_pitch(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Flat or sharp throughout by ``size`` cents."""
    return shaping.retune(note, 2 ** (size / 1200))


def sag(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """In tune at first, then glides to ``size`` cents off at the end of the sounding part."""
    end = shaping.sounding_end(note, rate_hz)
    contour = np.clip((np.arange(len(note)) / end - 0.3) / 0.6, 0, 1)
    return shaping.glide(note, size * contour)


def cracked(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Speak on a neighbouring partial for the first ``size`` seconds, then fall into the note."""
    other = shaping.retune(note, float(rng.choice([2 / 3, 3 / 4, 4 / 3, 3 / 2])))
    split, fade = _start(note, rate_hz, size), int(0.012 * rate_hz)
    ramp = np.clip((np.arange(len(note)) - split) / fade, 0, 1)
    other = np.pad(other, (0, max(0, len(note) - len(other))))[: len(note)]
    return other * (1 - ramp) + note * ramp


def pitch_break(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Start 100 to 250 cents off and scoop into the note within ``size`` seconds."""
    split = _start(note, rate_hz, size)
    away = rng.uniform(100, 250) * rng.choice([-1, 1])
    return shaping.glide(note, away * np.clip(1 - np.arange(len(note)) / split, 0, 1))


def respeak(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Start, choke by 14 to 24 dB, and speak again: the whole stumble lasts ``size`` seconds."""
    split = _start(note, rate_hz, size)
    place = [0, 0.25 * split, 0.45 * split, 0.8 * split, split]
    depth = -rng.uniform(14, 24)
    gain_db = np.interp(np.arange(len(note)), place, [0, 0, depth, depth, 0])
    return note * 10 ** (gain_db / 20)


def breathy(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Let air before tone: the tone takes ``size`` seconds to come, under noise 12 to 20 dB below it."""
    split = _start(note, rate_hz, size)
    contour = np.clip(np.arange(len(note)) / split, 0, 1)
    air = shaping.high_shelf(shaping.coloured_noise(len(note), rate_hz, rng), rate_hz, 800.0, 12.0)
    end = shaping.sounding_end(note, rate_hz)
    air *= shaping.amplitude(shaping.rms_db(note[:end]) - rng.uniform(12, 20) - shaping.rms_db(air))
    rise = np.minimum(1, np.arange(len(note)) / (0.01 * rate_hz))
    return note * contour**2 + air * rise * (1 - contour)


def late(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Slow to speak: comes up from 30 dB below over twice ``size`` seconds."""
    split = min(2 * _start(note, rate_hz, size), int(0.7 * shaping.sounding_end(note, rate_hz)))
    return note * 10 ** (-30 * np.clip(1 - np.arange(len(note)) / split, 0, 1) / 20)


def wrong_length(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Sound ``size`` times as long, with the note's own attack and release."""
    return shaping.relength(note, rate_hz, size)


def wrong_level(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Louder or softer by ``size`` dB; nothing else changes."""
    return note * shaping.amplitude(size)


def swell(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Grow by ``size`` dB from a quarter of the note to its end (or fall, if negative)."""
    end = shaping.sounding_end(note, rate_hz)
    return note * 10 ** (size * np.clip((np.arange(len(note)) / end - 0.25) / 0.65, 0, 1) / 20)


def wrong_tone(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Thin (positive) or dull (negative): a shelf of ``size`` dB at twice the note's centre; same level."""
    end = shaping.sounding_end(note, rate_hz)
    shelved = shaping.high_shelf(note, rate_hz, 2 * shaping.centroid_hz(note[:end], rate_hz), size)
    return shelved * shaping.amplitude(shaping.rms_db(note[:end]) - shaping.rms_db(shelved[:end]))


def wobble(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Waver by +-``size`` dB at 4 to 8 Hz; in one case of three the pitch wavers too, by +-15 cents."""
    time_s = np.arange(len(note)) / rate_hz
    turn = np.sin(2 * np.pi * rng.uniform(4, 8) * time_s + rng.uniform(0, 2 * np.pi))
    turn *= np.clip((time_s - 0.05) / 0.1, 0, 1)  # the attack stays as it was
    if rng.random() < 1 / 3:
        note = shaping.glide(note, 15 * turn)
    return note * 10 ** (size * turn / 20)


def cut_off(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Stop dead where the release would begin, with a fade of ``size`` seconds."""
    at = shaping.sounding_end(note, rate_hz, drop_db=6.0)
    return shaping.faded(note[: at + int(size * rate_hz)], rate_hz, 0.0, size)


def semitones(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Play ``size`` semitones away (rounded), where no real note of that pitch is at hand."""
    return shaping.retune(note, 2 ** (round(size) / 12))


def crowded(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Leave the note as it is: the next one comes ``size`` seconds after it, which is up to the take."""
    return note


def _start(note: Array, rate_hz: int, size: float) -> int:
    """Return the length of the spoilt start in samples: never more than half of the note."""
    return max(8, int(min(size * rate_hz, 0.5 * shaping.sounding_end(note, rate_hz))))


FAULTS: dict[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault("off-pitch", "intonation", off_pitch, 25, 45, "cents", signed=True, least_s=0.12),
        Fault("sag", "intonation", sag, 30, 55, "cents", signed=True, least_s=0.5, needs="held"),
        Fault("cracked", "attack", cracked, 0.06, 0.15, "s", least_s=0.12, needs="held"),
        Fault("pitch-break", "attack", pitch_break, 0.06, 0.15, "s", least_s=0.12, needs="held"),
        Fault("respeak", "attack", respeak, 0.08, 0.15, "s", least_s=0.12),
        Fault("breathy", "attack", breathy, 0.08, 0.15, "s", least_s=0.12, needs="held"),
        Fault("late", "attack", late, 0.06, 0.15, "s", least_s=0.12, needs="held"),
        Fault("short", "length", wrong_length, 0.45, 0.6, "x"),
        Fault("long", "length", wrong_length, 1.6, 2.0, "x", needs="steady"),
        Fault("level-step", "level", wrong_level, 5, 8, "dB", signed=True),
        Fault("swell", "level", swell, 6, 9, "dB", signed=True, least_s=0.8, needs="held"),
        Fault("shelf", "tone", wrong_tone, 7, 11, "dB", signed=True),
        Fault("wobble", "steadiness", wobble, 3, 5, "dB", least_s=0.6, needs="held"),
        Fault("cut-off", "release", cut_off, 0.005, 0.02, "s", least_s=0.3),
        Fault("crowded", "release", crowded, 0.02, 0.12, "s"),
        Fault("semitone", "wrong-note", semitones, 1, 1, "semitones", signed=True),
        Fault("tone-away", "wrong-note", semitones, 2, 2, "semitones", signed=True),
    )
}
