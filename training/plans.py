"""What is to be played, by whom, where: the plan of a take and what all takes of a session share.

``Player`` and ``NoiseBank`` have two makers each: real recordings (``recordings.py``) and our own synthesiser
(``synth.py``, ``noises.py``). Waveforms are one channel, float64, at the session's rate.
"""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from training.note_editing import Array
from training.recipe import Recipe
from training.rooms import Hall

NOISE = "noise"  # the fault kind that stands for all kinds of noise hit
Truth = dict[str, Any]


@dataclass(frozen=True)
class TakePlan:
    """One row of the take sheet."""

    name: str
    instrument: str
    articulation: str
    dynamic: str
    pitches: tuple[int, ...]
    repetitions: int

    @property
    def part(self) -> tuple[str, str, str]:
        """Return what the take has in common with its cohort."""
        return self.instrument, self.articulation, self.dynamic

    def expected(self) -> list[tuple[int, int]]:
        """Return (MIDI pitch, repetition from 0) of each note in the order played."""
        return [(pitch, count) for pitch in self.pitches for count in range(self.repetitions)]


@dataclass(frozen=True)
class NoiseClip:
    """A dry noise at the session's rate, its kind and where it comes from."""

    kind: str
    waveform: Array
    source: str


class Player(Protocol):
    """Whoever plays: real recordings or a synthesiser."""

    def can_play(self, plan: TakePlan, midi_pitch: int) -> bool:
        """Tell whether this pitch can be had for the plan's articulation and dynamic."""

    def play(self, plan: TakePlan, midi_pitch: int, repetition: int, rng: np.random.Generator) -> Array:
        """Return one dry note with its onset at sample 0."""


class NoiseBank(Protocol):
    """Where noise comes from."""

    def draw(self, rng: np.random.Generator) -> NoiseClip:
        """Return one dry clip."""


@dataclass(frozen=True)
class Stage:
    """What all takes of a session share."""

    recipe: Recipe
    hall: Hall
    player: Player
    noise: NoiseBank

    @property
    def rate_hz(self) -> int:
        """Return the session's sample rate."""
        return self.recipe.session.sample_rate_hz


@dataclass
class Laid:
    """The notes of a take on their time line, in samples of the dry track."""

    notes: list[Array]
    onsets: list[int]
    ends: list[int]
    rings: list[int]
    total: int
