"""The lay-out of a batch: which notes of the pool play when, in takes of one part, before anything is rendered.

An episode is a few takes of one part around one pitch, some notes spoilt: a cohort as a session has it. All by numpy,
ahead of the device.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from training.pool import RATE_HZ, Pool
from training.recipe import Range
from triage.config import Strict


class StageRecipe(Strict):
    """All of [stage] in configs/pretrain.toml; pairs are lowest and highest."""

    episodes: int
    takes: int
    take_s: float
    most_notes: int
    near: int  # semitones that an episode spans to either side
    lead_s: Range
    gap_s: Range
    spoilt: Range  # share of an episode's notes
    weights: dict[str, float]  # of recorded, bank and invented parts
    rooms: int
    rt60_s: Range
    direct_db: Range  # the direct sound's energy against the tail's
    floor_db: Range  # the microphone's own noise under the part's usual note
    colour_db: float  # of the microphone, +-
    warp: float  # octaves by which an episode's mel axis is stretched, +-: instruments that do not exist
    noises: float  # hits a take
    noise_db: Range  # a hit's loudest 10 ms under the part's usual note


@dataclass(frozen=True)
class Plan:
    """Notes of a batch in order of row and time; a row is one take of one episode."""

    note: np.ndarray  # index into the pool
    row: np.ndarray
    place: np.ndarray  # within its row, from 0
    at: np.ndarray  # sample of the onset
    usable: np.ndarray  # bool; False for a crowded note with nothing after it


def plan(pool: Pool, parts: Sequence[int], recipe: StageRecipe, rng: np.random.Generator) -> Plan:
    """Lay out one batch from ``parts``."""
    source = np.array([str(pool.parts[p]).split(" ")[0] for p in parts])
    weight = np.array([recipe.weights.get(s, recipe.weights["recorded"]) for s in source])
    for name in set(source):  # a source's weight is shared by its parts; instruments of the recordings are one source
        own = source == name if name in recipe.weights else ~np.isin(source, list(recipe.weights))
        weight[source == name] /= own.sum()
    rows: list[tuple[int, int, int, int, bool]] = []
    for episode in range(recipe.episodes):
        part = int(rng.choice(parts, p=weight / weight.sum()))
        episode_notes = _Episode(pool, part, recipe, rng)
        for take in range(recipe.takes):
            row = episode * recipe.takes + take
            rows += [
                (note, row, place, at, sure) for note, place, at, sure in _take(pool, episode_notes, recipe, rng)
            ]
    note, index, place, at, usable = (np.array(column) for column in zip(*rows, strict=True))
    return Plan(note, index, place, at, usable.astype(bool))


class _Episode:
    """The notes of an episode: those of one part around one pitch, good and spoilt apart."""

    def __init__(self, pool: Pool, part: int, recipe: StageRecipe, rng: np.random.Generator):
        mine = np.flatnonzero(pool.part == part)
        centre = rng.choice(np.unique(pool.pitch[mine]))
        mine = mine[np.abs(pool.pitch[mine] - centre) <= recipe.near]
        self.pitches = np.unique(pool.pitch[mine])
        fine = pool.kind[mine] == 0
        self.good = {int(p): mine[fine & (pool.pitch[mine] == p)] for p in self.pitches}
        self.bad = {int(p): mine[~fine & (pool.pitch[mine] == p)] for p in self.pitches}
        self.share = rng.uniform(*recipe.spoilt)

    def draw(self, pitch: int, rng: np.random.Generator) -> int:
        """Return a note of this pitch."""
        bad = len(self.bad[pitch]) and rng.random() < self.share
        return int(rng.choice(self.bad[pitch] if bad else self.good[pitch]))


def _take(
    pool: Pool, episode_notes: _Episode, recipe: StageRecipe, rng: np.random.Generator
) -> list[tuple[int, int, int, bool]]:
    """Return (note, place, sample, usable) of one take: neighbouring pitches, each a few times, until it is full."""
    first = int(rng.integers(len(episode_notes.pitches)))
    repetitions = int(rng.integers(1, 4))
    at = round(rng.uniform(*recipe.lead_s) * RATE_HZ)
    found: list[tuple[int, int, int, bool]] = []
    for place in range(recipe.most_notes):
        pitch = int(episode_notes.pitches[(first + place // repetitions) % len(episode_notes.pitches)])
        note = episode_notes.draw(pitch, rng)
        if found and at + pool.ring[note] > (recipe.take_s - 0.2) * RATE_HZ:
            break
        found.append((note, place, at, True))
        crowd_s = float(pool.crowd_s[note])
        gap = crowd_s if crowd_s else rng.uniform(*recipe.gap_s)
        at += int(pool.end[note] if crowd_s else pool.ring[note]) + round(gap * RATE_HZ)
    note, place, at, _ = found[-1]
    return [*found[:-1], (note, place, at, not pool.crowd_s[note])]
