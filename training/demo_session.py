"""The demo session: renders an invented session with known faults and takes it in like a real one.

The ensemble (Alder Reach Winds), its hall (Kettle Weir) and every sound are made up; the recipe is
configs/demo.toml. truth.json in the session's folder holds what was planted, and what was done to the files:
one is missing, one breaks off, one does not belong. The store lies in that folder too, apart from any real one.
"""

import json
import math
import os
from collections.abc import Callable
from datetime import datetime, time, timedelta
from pathlib import Path

import numpy as np
import soundfile
from sqlalchemy import Engine

from training.noises import InventedNoise
from training.note_editing import coloured_noise
from training.plans import Stage, TakePlan, Truth
from training.recipe import Recipe
from training.recordings import RecordedNoise
from training.rooms import build_hall
from training.sessions import plan_takes, write_session
from training.synth import SynthPlayer
from triage.cli.listing_text import queue_text
from triage.cli.output import Form, progress_bar
from triage.config import Strict, read_toml, shipped
from triage.domain.errors import ConfigError
from triage.store.engine import reading
from triage.store.ranking import queue
from triage.store.takes import find_session

SEED = 1
KEPT_SHARE = 0.4  # of the file that breaks off
BEGINS, PAUSE_S = time(10), 20.0  # of the session's day; between takes
Report = Callable[[str, int, int], None]  # what, done, total


class PartRecipe(Strict):
    """One instrument, articulation and dynamic, over a chromatic range of MIDI pitches."""

    instrument: str
    articulation: str
    dynamic: str
    lowest: int
    highest: int


class DemoRecipe(Recipe):
    """A session's recipe and the parts that the invented players play."""

    parts: tuple[PartRecipe, ...]


def demo_recipe() -> DemoRecipe:
    """Return the recipe of the shipped demo."""
    return read_toml(shipped("configs/demo.toml"), DemoRecipe)


def render_demo(folder: Path, recipe: DemoRecipe, report: Report | None = None) -> Truth:
    """Write the session into ``folder`` and return its truth; a demo that is already there is kept."""
    if (folder / "truth.json").is_file():
        kept: Truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        return kept
    if folder.is_dir() and any(folder.iterdir()):
        raise ConfigError(f"{folder}: holds something else than a demo; name a new folder with --folder")
    plans, stage = invented_stage(recipe, SEED)
    truth = write_session(
        plans, stage, folder, SEED, None if report is None else lambda done, all_: report("rendering", done, all_)
    )
    truth["arrivals"] = trouble_arrivals(folder, truth, recipe)
    set_file_times(folder, truth, datetime.combine(recipe.session.date, BEGINS))
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def set_file_times(folder: Path, truth: Truth, at: datetime) -> None:
    """Let each take's files end where its playing did: they are rendered side by side, but played one by one."""
    for take in sorted(truth["takes"]):
        at += timedelta(seconds=truth["takes"][take]["duration_s"])
        for path in (folder / "audio").glob(f"{take}_*"):
            os.utime(path, (at.timestamp(), at.timestamp()))
        at += timedelta(seconds=PAUSE_S)


def invented_stage(
    recipe: DemoRecipe, seed: int, noise: InventedNoise | RecordedNoise | None = None
) -> tuple[list[TakePlan], Stage]:
    """Return the takes that the invented players are to play, and everything that they are rendered with."""
    rate_hz = recipe.session.sample_rate_hz
    parts = demo_parts(recipe)
    depth = dict.fromkeys(parts, recipe.takes.repetitions[1])
    plans = plan_takes(parts, depth, recipe.takes, np.random.default_rng([seed, 1]))
    player = SynthPlayer(rate_hz, recipe.session.a4_hz)
    hall = build_hall(recipe.mics, recipe.hall, rate_hz, seed)
    return plans, Stage(recipe, hall, player, noise or InventedNoise(rate_hz))


def demo_parts(recipe: DemoRecipe) -> dict[tuple[str, str, str], list[int]]:
    """Return the pitches of every part."""
    return {
        (part.instrument, part.articulation, part.dynamic): list(range(part.lowest, part.highest + 1))
        for part in recipe.parts
    }


def trouble_arrivals(folder: Path, truth: Truth, recipe: Recipe) -> Truth:
    """Lose one file, break one off and add one unexpected file; return which."""
    clean = [take for take, own in truth["takes"].items() if own["fault"] is None]
    lost, broken = clean[len(clean) // 4], clean[3 * len(clean) // 4]
    (folder / "audio" / f"{lost}_{recipe.mics[-1].name}.wav").unlink()
    path = folder / "audio" / f"{broken}_{recipe.mics[1].name}.wav"
    os.truncate(path, int(KEPT_SHARE * path.stat().st_size))
    noise = coloured_noise(recipe.session.sample_rate_hz, recipe.session.sample_rate_hz, np.random.default_rng(SEED))
    # Its name fits no pattern, like the level checks and slates that get copied along with the takes.
    soundfile.write(folder / "audio" / "levelcheck.wav", 0.001 * noise, recipe.session.sample_rate_hz, "PCM_24")
    return {
        "missing": [{"take": lost, "mic": recipe.mics[-1].name}],
        "broken": [f"audio/{path.name}"],
        "unexpected": ["audio/levelcheck.wav"],
    }


def take_in_demo(folder: Path, truth: Truth, engine: Engine, top: int = 12) -> str:
    """Take the session in by the same path as a real one; return the head of its queue and how it did."""
    # Loaded late: rendering comes first, and `triage demo --help` should not wait for the networks' library.
    from triage.pipeline import take_in

    with progress_bar() as progress:
        take_in(folder, engine, progress=progress)
    with reading(engine) as db:
        found = find_session(db, truth["session"])
        entries = queue(db, found.id)
    head = queue_text(Form.table, found, entries[:top], len(entries))
    return head + ranking_summary([entry.take for entry in entries], truth)


def ranking_summary(ranked: list[str], truth: Truth) -> str:
    """Return one line: how many of the planted faults are in the first fifth of the queue."""
    planted = {take for take, own in truth["takes"].items() if own["fault"] is not None}
    first = ranked[: math.ceil(len(ranked) / 5)]
    found = len(planted & set(first))
    return f"{found} of {len(planted)} planted faults stand in the first fifth of the queue ({len(first)} takes)\n"
