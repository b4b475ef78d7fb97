"""Simulated producers with tolerances of their own, who hear what is really off about a note.

True sizes come from the builder's numbers (what was planted, and how the player's notes differ by nature), in just
noticeable differences, by kind and with their sign; never from what the tool measures. A producer's tolerance of each
kind is drawn once; it differs by articulation and instrument, and by direction. Verdicts come out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from training.calibrate import MATCH_S
from training.note_versions import EXTRA, MISSING, VersionsRecipe
from training.simulated_producer import BEGAN
from triage.config import Strict
from triage.domain.verdict import Verdict
from triage.judge.note_table import NoteTable
from triage.judge.taste import HOUSE_JND

KINDS = ("intonation", "attack", "length", "level", "tone", "steadiness", "release", "wrong-note", "noise")
EDGE_JND = 2.0  # a fault as large as what the calibration takes for a reject: twice what can be noticed
UNMISTAKABLE_JND = 8.0  # a wrong note
NOISE_STEP_DB, SILENT_DB = 6.0, 48.0  # a noise so far under the note is not noticed
NATURAL = {"cents": ("intonation", 5.0), "level_db": ("level", 1.1), "length": ("length", 0.1)}  # one JND of each


class ProducersConfig(Strict):
    """How producers are drawn; standard deviations of natural logarithms of tolerances."""

    kind: float
    articulation: float
    instrument: float
    direction: float
    softness: float  # of a tolerance's edge, natural logarithm of size
    slips: float  # share of the verdicts that are the opposite of what was meant
    hurried_every: int  # one producer in so many minds notes that come too soon, which no generator names
    hurried_s: float


@dataclass(frozen=True)
class TrueSizes:
    """What is really off about each note of a table, and how soon it came after the one before."""

    size: np.ndarray  # (note, KINDS) JND, signed
    gap_s: np.ndarray  # (note,) NaN for the first of a take
    usable: np.ndarray  # (note,) bool: part of a take that the playing decides on


def true_sizes(table: NoteTable, truth: Mapping[str, Mapping[str, Any]], recipe: VersionsRecipe) -> TrueSizes:
    """Return what the builder knows of the notes in a table; of a note that it did not play, nothing is off."""
    size, gap_s = np.zeros((len(table), len(KINDS))), np.full(len(table), np.nan)
    usable = np.zeros(len(table), bool)
    for take in np.unique(table.take):
        own, mine = truth[str(take)], np.flatnonzero(table.take == take)
        if own["technical"] or any(fault["name"] in (MISSING, EXTRA) for fault in own["faults"]):
            continue
        usable[mine] = True
        for number, onset_s in enumerate(own["notes"]):
            away = np.abs(table.start_s[mine] - onset_s)
            if away.min() > MATCH_S:
                continue
            row = mine[away.argmin()]
            for name, (kind, step) in NATURAL.items():
                size[row, KINDS.index(kind)] = own["deviations"][number][name] / step
            gap_s[row] = onset_s - own["notes"][number - 1] if number else np.nan
            for fault in own["faults"]:
                if fault["note"] == number + 1:
                    column = KINDS.index(fault["kind"])
                    size[row, column] = _together(size[row, column], fault, recipe)
    return TrueSizes(_centred(size, table), gap_s, usable)


def _together(natural: float, fault: Mapping[str, Any], recipe: VersionsRecipe) -> float:
    """Return a natural deviation and a fault as one size in JND."""
    name, size = fault["name"], float(fault["size"])
    if name == "noise":
        return max(0.0, (SILENT_DB - size) / NOISE_STEP_DB)
    if fault["kind"] == "wrong-note":
        return UNMISTAKABLE_JND
    edge = recipe.sizes[name].rejected_from
    if name in ("short", "long"):
        return natural + EDGE_JND * float(np.log(size) / abs(np.log(edge)))
    if name in ("cut-off", "crowded"):  # the shorter, the worse
        return 2 * EDGE_JND * float(np.sqrt(recipe.sizes[name].high / 2 / size))
    planted = EDGE_JND * size / edge
    return (
        natural + planted
        if name in ("off-pitch", "level-step")
        else float(np.sign(planted)) * max(abs(planted), abs(natural))
    )


def _centred(size: np.ndarray, table: NoteTable) -> np.ndarray:
    """Return sizes against the middle of the note's cohort: what all of it has, nobody hears as off."""
    out, cohort = size.copy(), table.cohort("articulation", "dynamic")
    for label in np.unique(cohort):
        for kind in ("intonation", "level", "length"):
            out[cohort == label, KINDS.index(kind)] -= np.median(size[cohort == label, KINDS.index(kind)])
    return out


@dataclass(frozen=True)
class TolerantProducer:
    """One producer: natural logarithms of tolerances over the house's, all drawn."""

    kind: dict[str, float]
    articulation: dict[tuple[str, str], float]
    instrument: dict[tuple[str, str], float]
    direction: dict[str, float]
    hurried_s: float | None
    config: ProducersConfig

    def log_tolerances(self, table: NoteTable, size: np.ndarray) -> np.ndarray:
        """Return the log tolerance of each kind for each note over the house's [shape=(note, KINDS)]."""
        found = np.zeros(size.shape)
        for column, kind in enumerate(KINDS):
            more = [self.articulation.get((kind, str(name)), 0.0) for name in table.articulation]
            own = [self.instrument.get((kind, str(name)), 0.0) for name in table.instrument]
            found[:, column] = self.kind.get(kind, 0.0) + np.array(more) + np.array(own)
            found[:, column] += self.direction.get(kind, 0.0) * np.sign(size[:, column])
        return found

    def margins(self, table: NoteTable, true: TrueSizes) -> np.ndarray:
        """Return by how much each kind is over the tolerance, natural logarithm [shape=(note, KINDS + 1)].

        The last column is for coming too soon.
        """
        over = np.log(np.maximum(np.abs(true.size), 1e-3) / HOUSE_JND) - self.log_tolerances(table, true.size)
        hurried = np.full((len(table), 1), -np.inf)
        if self.hurried_s is not None:
            early = np.log(self.hurried_s / np.nan_to_num(true.gap_s, nan=1e3))
            hurried = np.where(np.isfinite(true.gap_s), early, -np.inf)[:, None]
        return np.concatenate([over, hurried], axis=1)

    def rejects(self, table: NoteTable, true: TrueSizes, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Return which notes this producer rejects, and the kind that is worst [both shape=(note,)].

        The probability of a reject is the logistic function of the greatest margin over the softness.
        """
        margins = self.margins(table, true)
        worst = margins.argmax(axis=1)
        chance = 1 / (1 + np.exp(-np.clip(margins.max(axis=1) / self.config.softness, -40, 40)))
        return rng.random(len(table)) < chance, np.array([*KINDS, ""])[worst]


def draw_producer(
    config: ProducersConfig, number: int, articulations: Sequence[str], instruments: Sequence[str], seed: int
) -> TolerantProducer:
    """Draw one producer."""
    rng = np.random.default_rng([seed, 31, number])
    return TolerantProducer(
        {kind: float(rng.normal(0, config.kind)) for kind in KINDS},
        {(kind, name): float(rng.normal(0, config.articulation)) for kind in KINDS for name in articulations},
        {(kind, name): float(rng.normal(0, config.instrument)) for kind in KINDS for name in instruments},
        {kind: float(rng.normal(0, config.direction)) for kind in ("intonation", "length", "level", "tone")},
        config.hurried_s if number % config.hurried_every == config.hurried_every - 1 else None,
        config,
    )


def verdict_on(
    take: str,
    table: NoteTable,
    judged: tuple[np.ndarray, np.ndarray],
    how: tuple[bool, bool],
    slips: float,
    rng: np.random.Generator,
) -> Verdict:
    """Return the verdict on a take, or on its rejected note; ``how``: whether notes and reasons are named."""
    rejected, kinds = judged
    bad = np.flatnonzero((table.take == take) & rejected)
    slipped = rng.random() < slips
    at = BEGAN + timedelta(seconds=20 * int(rng.integers(10_000)))
    if slipped or not len(bad):
        return Verdict(take, "reject" if slipped != bool(len(bad)) else "accept", "producer", at, None, None)
    row = int(bad[0])
    note = int(table.number[row]) if how[0] else None
    return Verdict(take, "reject", "producer", at, note, str(kinds[row]) or None if how[1] else None)
