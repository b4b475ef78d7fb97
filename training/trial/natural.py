"""The sounds that come with playing a note and are no fault: puffs, keys and valves, breaths before a note.

They have a generator of their own, so that a session with them is otherwise the same, sample for sample.
"""

from dataclasses import dataclass, field

import numpy as np

from training.public_recordings import Recording
from training.trial.noises import Array, loudest, puff
from training.trial.notes import load
from training.trial.rooms import RATE_HZ

PUFF_BEFORE_S = 0.1  # a breath reaches the microphone before the tone has built up


@dataclass
class PlayingSounds:
    """Breaths and key sounds of the recordings, and how much of each a player makes."""

    breaths: list[Recording]
    keys: list[Recording]
    rng: np.random.Generator
    habits: dict[str, tuple[float, float, float]] = field(default_factory=dict)

    def add(self, dry: Array, onset: int, level_db: float, player: str) -> list[tuple[str, int, int]]:
        """Add a note's sounds to the dry sound, in place, and return (kind, first sample, past-last one) of each.

        Levels are relative to the note's.
        """
        if player not in self.habits:
            self.habits[player] = (
                float(self.rng.uniform(-16, -4)),
                float(self.rng.uniform(-38, -24)),
                float(self.rng.uniform(-46, -34)),
            )
        puff_db, key_db, breath_db = self.habits[player] + self.rng.normal(0, 2, 3) + level_db
        laid = []
        if self.rng.random() < 0.7:
            laid.append(("puff", *_lay(dry, puff(self.rng), onset - int(PUFF_BEFORE_S * RATE_HZ), puff_db)))
        if self.keys and self.rng.random() < 0.6:
            before_s = self.rng.uniform(0.04, 0.15)
            laid.append(("key", *_lay(dry, self._drawn(self.keys), onset - int(before_s * RATE_HZ), key_db)))
        if self.breaths and self.rng.random() < 0.35:
            breath = self._drawn(self.breaths)[: int(0.5 * RATE_HZ)]
            place = onset - len(breath) - int(0.05 * RATE_HZ)
            laid.append(("breath", *_lay(dry, breath, place, breath_db)))
        return laid

    def _drawn(self, recordings: list[Recording]) -> Array:
        return load(recordings[int(self.rng.integers(len(recordings)))])


def _lay(dry: Array, sound: Array, place: int, level_db: float) -> tuple[int, int]:
    start = max(0, place)
    sound = sound[start - place :][: len(dry) - start]
    dry[start : start + len(sound)] += sound / max(loudest(sound), 1e-9) * 10 ** (level_db / 20)
    return start, start + len(sound)
