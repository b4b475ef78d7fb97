"""How much more consistent the best set is: ``python -m training.best_set_evaluation [--recordings FOLDER]``.

Beside it stands what is kept without listening further: the first accepted take of each cell. Sessions of invented
players, in which every note's length, level and tuning were altered by a known amount, are taken in by the tool's
own code. The roughness is that of the tool's measurements, by the amounts planted, which the tool never sees, and
as it would be if those were measured without error: what the choice alone can do. With a folder of recordings, real
notes of development instruments are chosen from too.
"""

import tempfile
from collections import defaultdict
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Annotated, NamedTuple

import numpy as np
import typer
from sqlalchemy import Engine

from training import note_editing as shaping
from training.demo_session import DemoRecipe
from training.noises import InventedNoise
from training.note_editing import Array
from training.plans import Stage, TakePlan
from training.recipe import Recipe
from training.rooms import build_hall
from training.sessions import build, write_session
from training.synth import SynthPlayer
from triage.config import read_toml, shipped
from triage.judge.best_set import best_set
from triage.judge.best_set_costs import BETWEEN_KEYS, costs_of, roughness
from triage.judge.repetition_numbering import number_repetitions
from triage.sheets.best_set import KeepGroup, keep_set
from triage.store.engine import open_store, reading

PARTS = (
    ("horn", "staccato", "ff", 48),
    ("trombone", "marcato", "f", 45),
    ("clarinet", "sustain", "p", 55),
    ("bassoon", "staccato", "mf", 41),
)
PITCHES, TAKES, REPETITIONS = 16, 3, 2  # a cell is played in three takes, twice in each
SPREAD = {"length": 0.06, "level_db": 1.2, "cents": 5.0}  # sigma: length as a ratio's logarithm
DEVELOPMENT = ("tuba",)  # three or four recordings of a note; double bass has fewer
MOST_TAKES = 16
Planted = dict[tuple[str, int, int], np.ndarray]  # take, pitch, repetition from 0 -> what was planted, in sigmas


class Row(NamedTuple):
    """Roughness of the best set and the first accepted takes, in pairs: one for each way to measure it."""

    name: str
    figures: tuple[float, ...]


@dataclass
class VariedPlayer:
    """An invented player whose every note is off by a known amount; keeps what was planted."""

    player: SynthPlayer
    planted: Planted = field(default_factory=dict)

    def can_play(self, plan: TakePlan, midi_pitch: int) -> bool:
        """Tell whether this pitch can be had: always."""
        return True

    def play(self, plan: TakePlan, midi_pitch: int, repetition: int, rng: np.random.Generator) -> Array:
        """Return one note, longer or shorter, louder or softer, sharper or flatter by what is noted."""
        off = rng.standard_normal(len(SPREAD))
        self.planted[plan.name, midi_pitch, repetition] = off
        length, level_db, cents = off * np.array(list(SPREAD.values()))
        note = self.player.play(plan, midi_pitch, repetition, rng)
        note = shaping.relength(note, self.player.rate_hz, float(np.exp(length)))
        return shaping.retune(note, 2 ** (cents / 1200)) * shaping.amplitude(float(level_db))


def plans_of(part: tuple[str, str, str, int]) -> list[TakePlan]:
    """Return takes of four pitches each, three times over the same keys."""
    instrument, articulation, dynamic, lowest = part
    groups = [tuple(range(low, low + 4)) for low in range(lowest, lowest + PITCHES, 4)]
    every = [group for _ in range(TAKES) for group in groups]
    head = instrument, articulation, dynamic
    return [TakePlan(f"T{n:03d}", *head, group, REPETITIONS) for n, group in enumerate(every, 1)]


def planted_session(part: tuple[str, str, str, int], folder: Path, seed: int) -> Planted:
    """Write a session without faults and return what was planted in its notes."""
    recipe = read_toml(shipped("configs/demo.toml"), DemoRecipe)
    faults = recipe.faults.model_copy(update={"share": 0.0})
    session = recipe.session.model_copy(update={"name": f"planted-{part[0]}-{seed}"})
    recipe = recipe.model_copy(update={"faults": faults, "session": session})
    rate_hz = recipe.session.sample_rate_hz
    player = VariedPlayer(SynthPlayer(rate_hz, recipe.session.a4_hz))
    hall = build_hall(recipe.mics, recipe.hall, rate_hz, seed)
    write_session(plans_of(part), Stage(recipe, hall, player, InventedNoise(rate_hz)), folder, seed)
    return player.planted


def taken_in(folder: Path) -> Engine:
    """Take a session in and return its store."""
    from triage.pipeline import take_in

    engine = open_store(f"sqlite:///{folder / 'triage.db'}")
    take_in(folder, engine)
    return engine


def planted_roughness(group: KeepGroup, planted: Planted, wanted: int) -> tuple[float, float]:
    """Return the roughness of the kept notes and of the first accepted ones, by what was planted in them."""
    rows = {key: row for row, key in enumerate(planted)}
    axes = np.stack(list(planted.values()))
    kept: dict[int, dict[int, int]] = defaultdict(dict)
    for note in group.kept:
        if (row := rows.get((note.take, note.pitch_midi, _repetition(note.note)))) is not None:
            kept[note.pitch_midi][note.repetition] = row
    first: dict[int, dict[int, int]] = defaultdict(dict)
    for take, pitch, count in sorted(planted, key=lambda key: (key[1], key[0], key[2])):
        if len(first[pitch]) < wanted:
            first[pitch][len(first[pitch]) + 1] = rows[take, pitch, count]
    best, plain = (roughness(axes, [own for _, own in sorted(by.items())]) for by in (kept, first))
    return best, plain


def exact_roughness(planted: Planted, wanted: int) -> float:
    """Return the roughness of the best set if the planted amounts were measured without any error."""
    keys = sorted(planted, key=lambda key: (key[1], key[0], key[2]))
    pitch, off = np.array([key[1] for key in keys]), np.stack([planted[key] for key in keys])
    axes = np.zeros((len(keys), len(BETWEEN_KEYS)))
    axes[:, [BETWEEN_KEYS.index(name) for name in ("length_s", "level_dbfs", "cents")]] = off * list(SPREAD.values())
    costs = costs_of(pitch, axes, np.zeros(len(keys)), np.ones(len(keys), dtype=bool))
    rows = best_set(costs, wanted).rows()
    sets = [[row for row in rows if pitch[row] == own] for own in np.unique(pitch)]
    numbers = number_repetitions(costs.apart, sets)
    return roughness(off, [{numbers[row]: row for row in own} for own in sets])


def _repetition(number: int) -> int:
    """Return the repetition, from 0, of a note of these takes by its number: pitches in order, twice each."""
    return (number - 1) % REPETITIONS


def on_planted(seeds: int) -> dict[int, list[Row]]:
    """Return a row for each session, by how many of the six notes of a cell are kept."""
    found: dict[int, list[Row]] = defaultdict(list)
    for part, seed in product(PARTS, range(seeds)):
        with tempfile.TemporaryDirectory() as where:
            planted = planted_session(part, Path(where), seed)
            engine = taken_in(Path(where))
            with reading(engine) as db:
                for wanted in (1, REPETITIONS):
                    (group,) = keep_set(db, repetitions=wanted).groups
                    measured = group.uneven, group.uneven_first
                    hidden = planted_roughness(group, planted, wanted)
                    exact = exact_roughness(planted, wanted), hidden[1]
                    found[wanted].append(Row(" ".join(part[:3]), (*measured, *hidden, *exact)))
            engine.dispose()
    return found


def on_recordings(recordings: Path, wanted: int, seed: int) -> list[Row]:
    """Return the same for real notes, where nothing is planted: a row a part with three candidates or more a key."""
    recipe = read_toml(shipped("configs/evaluation.toml"), Recipe)
    takes = recipe.takes.model_copy(update={"repetitions": (4, 4), "most": MOST_TAKES})
    faults = recipe.faults.model_copy(update={"share": 0.0})
    recipe = recipe.model_copy(update={"takes": takes, "faults": faults})
    found: list[Row] = []
    for instrument in DEVELOPMENT:
        with tempfile.TemporaryDirectory() as where:
            build(recipe, Path(where), recordings, seed, (instrument,))
            engine = taken_in(Path(where))
            with reading(engine) as db:
                groups = keep_set(db, repetitions=wanted).groups
            engine.dispose()
        for group in groups:
            if len(group.kept) >= 2 and group.candidates >= 2.9 * wanted * len({n.pitch_midi for n in group.kept}):
                name = " ".join((group.instrument, group.articulation, group.dynamic))
                found.append(Row(name, (group.uneven, group.uneven_first)))
    return found


def printed(title: str, rows: list[Row]) -> str:
    """Return a table in Markdown; the last line is the mean."""
    heads = ("measured", "planted", "planted, known exactly")[: len(rows[0].figures) // 2] if rows else ()
    columns = [f"{head}: best set | first accepted | lower by" for head in heads]
    lines = [f"| {title} | {' | '.join(columns)} |", "|---" * (3 * len(heads) + 1) + "|"]
    mean = tuple(float(np.mean(column)) for column in zip(*(row.figures for row in rows), strict=True))
    for name, figures in [*rows, Row(f"mean of {len(rows)}", mean)]:
        pairs = zip(figures[::2], figures[1::2], strict=True)
        lines.append(f"| {name} | " + " | ".join(f"{a:.2f} | {b:.2f} | {1 - a / b:.0%}" for a, b in pairs) + " |")
    return "\n".join(lines) + "\n"


def main(
    recordings: Annotated[Path | None, typer.Option(help="Folder with notes.csv; else only invented players")] = None,
    seeds: Annotated[int, typer.Option(min=1, help="Sessions of each invented part")] = 1,
) -> None:
    """Print how much lower the best set's roughness is than that of the first accepted take of each cell."""
    for wanted, rows in on_planted(seeds).items():
        print(printed(f"invented players, {wanted} of {TAKES * REPETITIONS} kept", rows))
    if recordings is not None:
        print(printed("real notes, 1 of 3 or 4 kept", on_recordings(recordings, 1, 5)))


if __name__ == "__main__":
    typer.run(main)
