"""Which holes the pick-ups find: ``python -m training.pickups_evaluation`` on sessions with planted holes.

A session of invented players loses takes that were on the sheet, and gets takes with one spoilt note each. A cell of
which fewer notes than wanted are there and unspoilt is a hole. It is counted twice: with a person's verdicts on the
spoilt notes, and by the tool's own doubt alone, before anybody has listened.
"""

import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from sqlalchemy import Engine

from training.demo_session import DemoRecipe, invented_stage
from training.plans import TakePlan
from training.sessions import write_session
from triage.config import read_toml, shipped
from triage.domain.kinds import kind_named
from triage.domain.verdict import Verdict
from triage.judge.clean_notes import DOUBT_BOUND, Cell
from triage.sheets.pickups import pickup_list
from triage.store.engine import open_store, reading, writing
from triage.store.notes import notes
from triage.store.takes import find_session, takes
from triage.store.verdicts import record_verdict

EARLY_S = 0.1  # by which a note may be heard before its onset
LOST = 4  # takes of the sheet that were never recorded
ALL_NOTES = ("dead-track",)  # faults that spoil every note of a take


@dataclass(frozen=True)
class Holes:
    """Holes planted, and how many of the found ones are and are not among them."""

    planted: int
    right: int
    false: int
    cells: int

    def __add__(self, other: "Holes") -> "Holes":
        return Holes(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))


def session_with_holes(folder: Path, seed: int, takes_most: int) -> tuple[list[TakePlan], dict[str, Any], set[str]]:
    """Write a session; return its plans, the builder's truth and the takes whose files are gone."""
    recipe = read_toml(shipped("configs/demo.toml"), DemoRecipe)
    some = recipe.takes.model_copy(update={"most": takes_most})
    recipe = recipe.model_copy(update={"takes": some, "faults": recipe.faults.model_copy(update={"share": 0.25})})
    plans, stage = invented_stage(recipe, seed)
    truth = write_session(plans, stage, folder, seed)
    rng = np.random.default_rng([seed, 9])
    lost = {plans[int(index)].name for index in rng.permutation(len(plans))[:LOST]}
    for path in (folder / "audio").iterdir():
        if path.name.split("_")[0] in lost:
            path.unlink()
    return plans, truth["takes"], lost


def spoilt_notes(truth: dict[str, Any]) -> list[int]:
    """Return the numbers of a take's notes that its fault spoils; what a file can mend spoils none."""
    fault, notes = truth["fault"], truth["notes"]
    if fault is None or kind_named(fault["kind"]).mended_by:
        return []
    if fault["note"] is not None:
        return [fault["note"]]
    if fault["kind"] in ALL_NOTES:
        return [note["note"] for note in notes]
    before = [note["note"] for note in notes if note["onset_s"] <= fault["end_s"]]
    return before[-1:]


def holes_of(plans: list[TakePlan], truth: dict[str, Any], lost: set[str]) -> tuple[set[Cell], int]:
    """Return the cells with fewer unspoilt notes than wanted, and how many cells there are."""
    wanted: dict[Cell, int] = {}
    there: dict[Cell, int] = {}
    for plan in plans:
        spoilt = set() if plan.name in lost else set(spoilt_notes(truth[plan.name]))
        for number, (pitch, _) in enumerate(plan.expected(), 1):
            cell = Cell(*plan.part, pitch)
            wanted[cell] = max(wanted.get(cell, 0), plan.repetitions)
            there[cell] = there.get(cell, 0) + (plan.name not in lost and number not in spoilt)
    return {cell for cell, number in wanted.items() if there[cell] < number}, len(wanted)


def record_verdicts(engine: Engine, truth: dict[str, Any], lost: set[str]) -> None:
    """Let a person who hears everything reject what is spoilt and accept the rest."""
    with writing(engine) as db:
        session = find_session(db)
        for take in takes(db, session.id):
            now = datetime.now(UTC)
            record_verdict(db, session.id, Verdict(take.name, "accept", "anna", now))
            bad = spoilt_notes(truth[take.name]) if take.name not in lost else []
            spans = [(n["onset_s"] - EARLY_S, n["end_s"]) for n in truth[take.name]["notes"] if n["note"] in bad]
            for note in notes(db, session.id, take.name):
                # What a person hears counts, not the number: a spoilt note may be heard as two.
                if any(start_s <= note.start_s <= end_s for start_s, end_s in spans):
                    verdict = Verdict(take.name, "reject", "anna", now, note.number, "planted")
                    record_verdict(db, session.id, verdict)


def found_holes(engine: Engine, planted: set[Cell], cells: int, bound: float = DOUBT_BOUND) -> Holes:
    """Return how the pick-ups compare with what was planted."""
    with reading(engine) as db:
        found = {
            Cell(p.instrument, p.articulation, p.dynamic, p.pitch_midi) for p in pickup_list(db, None, bound).pickups
        }
    return Holes(len(planted), len(found & planted), len(found - planted), cells)


def one_session(seed: int, takes_most: int, bounds: tuple[float, ...]) -> tuple[Holes, list[Holes]]:
    """Return the holes found with verdicts, and by doubt alone at each bound."""
    from triage.pipeline import take_in

    with tempfile.TemporaryDirectory() as where:
        plans, truth, lost = session_with_holes(Path(where), seed, takes_most)
        engine = open_store(f"sqlite:///{where}/triage.db")
        take_in(Path(where), engine)
        planted, cells = holes_of(plans, truth, lost)
        alone = [found_holes(engine, planted, cells, bound) for bound in bounds]
        record_verdicts(engine, truth, lost)
        after_verdicts = found_holes(engine, planted, cells)
        engine.dispose()
    return after_verdicts, alone


def main(
    seeds: Annotated[int, typer.Option(min=1, help="Sessions to build")] = 4,
    most: Annotated[int, typer.Option(min=8, help="Takes of each")] = 40,
) -> None:
    """Print how many planted holes the pick-ups find, and how many they make up."""
    bounds = (0.1, 0.2, 0.3, 0.5)
    runs = [one_session(100 + seed, most, bounds) for seed in range(seeds)]
    nothing = Holes(0, 0, 0, 0)
    print("| pick-ups | planted holes | found | made up | cells |\n|---|---|---|---|---|")
    rows = [("after a person's verdicts", sum((reviewed for reviewed, _ in runs), nothing))]
    for place, bound in enumerate(bounds):
        rows.append((f"by doubt alone, bound {bound:g}", sum((alone[place] for _, alone in runs), nothing)))
    for name, holes in rows:
        print(f"| {name} | {holes.planted} | {holes.right} | {holes.false} | {holes.cells} |")


if __name__ == "__main__":
    typer.run(main)
