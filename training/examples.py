"""Examples: built sessions, listened to, with what is known to be wrong with each note.

A recipe and an order go in; the takes as the tool hears them and the truth of the builder come out. The audio lives
in a temporary folder and is gone afterwards; what was heard can be kept in a cache folder.
"""

import hashlib
import json
import pickle
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch

from training.baselines import pooled_logmel, pooled_mfcc
from training.demo import DemoRecipe, invented_stage
from training.recipe import Recipe
from training.recordings import RecordedNoise
from training.sessions import build, write_session
from triage.config import read_toml, shipped
from triage.crew import cores
from triage.intake import wav
from triage.intake.roll import call_roll
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet
from triage.listen.logmel import LogMel
from triage.store.records import TakeRecord
from triage.take import VERSION, listen_take

INVENTED = "invented"  # stands for the synthesised instruments of configs/demo.toml


@dataclass(frozen=True)
class Heard:
    """One built session as the tool heard it, and the builder's truth for each take by name."""

    takes: list[TakeRecord]
    truth: dict[str, dict[str, Any]]
    a4_hz: float
    pooled: dict[str, tuple[np.ndarray, np.ndarray, float]]  # take -> log-mel, cepstra, level for the baselines


@dataclass(frozen=True)
class Order:
    """What to build: who plays, share of spoilt takes, which half of the noise clips, how many takes, the hall."""

    seed: int
    instruments: tuple[str, ...]
    share: float
    half: str
    most: int
    rt60_s: float
    weights: dict[str, float] = field(default_factory=dict)
    sizes: dict[str, tuple[float, float]] = field(default_factory=dict)

    def applied(self, recipe: Recipe) -> Recipe:
        """Return the recipe with the order's own numbers in it."""
        faults = {"share": self.share, "weights": self.weights or recipe.faults.weights, "sizes": self.sizes}
        return recipe.model_copy(update={
            "faults": recipe.faults.model_copy(update=faults),
            "noise": recipe.noise.model_copy(update={"half": self.half}),
            "takes": recipe.takes.model_copy(update={"most": self.most}),
            "hall": recipe.hall.model_copy(update={"rt60_s": self.rt60_s}),
        })  # fmt: skip


def hear(recipe_file: Path, recordings: Path, order: Order) -> Heard:
    """Build one session in a temporary folder, listen to it with the tool's own code, and return what was heard."""
    torch.set_num_threads(1)
    recipe = order.applied(read_toml(recipe_file, Recipe))
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        if order.instruments == (INVENTED,):
            parts = read_toml(shipped("configs/demo.toml"), DemoRecipe).parts
            noise = RecordedNoise(recordings, recipe)
            plans, stage = invented_stage(DemoRecipe(**{**dict(recipe), "parts": parts}), order.seed, noise)
            write_session(plans, stage, folder, order.seed)
        else:
            build(recipe, folder, recordings, order.seed, order.instruments)
        return listen_to(folder)


def listen_to(folder: Path) -> Heard:
    """Listen to a built session."""
    session = read_session(folder)
    roll = call_roll(folder, session, read_sheet(folder / "take_sheet.csv", session.middle_c_octave))
    judge_mic = session.judge_mic_name()
    takes, pooled = [], {}
    for take in roll.takes:
        takes.append(listen_take(take, folder, judge_mic, session.a4_hz))
        track = next(track for track in take.tracks if track.mic == judge_mic)
        blocks = wav.blocks(folder / track.path, [track.channel])
        frames = np.concatenate(list(LogMel(track.facts.sample_rate_hz).frames(blocks)), axis=2)[0]
        level_db = 10 * np.log10((10 ** (frames / 10)).sum(axis=0).mean())
        pooled[take.name] = (pooled_logmel(frames), pooled_mfcc(frames), float(level_db))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["takes"]
    return Heard(takes, truth, session.a4_hz, pooled)


def hear_all(recipe_file: Path, recordings: Path, orders: list[Order], cache: Path | None = None) -> list[Heard]:
    """Hear several sessions, one a core; those found in ``cache`` are not built again."""
    work = [(recipe_file, recordings, order, cache) for order in orders]
    with ProcessPoolExecutor(cores(), mp_context=get_context("spawn")) as pool:
        return list(pool.map(_cached, *zip(*work, strict=True)))


def _cached(recipe_file: Path, recordings: Path, order: Order, cache: Path | None) -> Heard:
    if cache is None:
        return hear(recipe_file, recordings, order)
    key = hashlib.sha256(f"{VERSION} {order} {recipe_file.read_text(encoding='utf-8')}".encode()).hexdigest()[:16]
    path = cache / f"{'-'.join(order.instruments)}_{order.seed}_{key}.pickle"
    if path.exists():
        kept: Heard = pickle.loads(path.read_bytes())  # our own cache on this machine, never a file from elsewhere
        return kept
    heard = hear(recipe_file, recordings, order)
    cache.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(heard))
    return heard
