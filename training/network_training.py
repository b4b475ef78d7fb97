"""What the trainings of both networks share: settings, noise clips, the split, learning rate, averaging, the card.

``pretrain.py`` and ``noise_training.py`` hold each network's own data, losses and loop.
"""

import copy
import json
import math
import subprocess
import sys
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Protocol, TypeVar

import numpy as np
import torch
import typer
from torch import Tensor, nn

from training import note_editing as shaping
from training.noises import InventedNoise, Maker
from training.plans import NoiseClip
from training.pool import RATE_HZ, Pool, PoolRecipe, build_pool, load_pool
from training.public_recordings import Recording
from training.recipe import Recipe
from training.recordings import quarter_of, read_mono, read_rows
from training.tracking import FOLDER, tracked
from triage.config import Strict, read_toml, shipped

TRAINING_QUARTERS = (0, 2)  # of the noise clips; 1 and 3 are held out for training/evaluate.py
LEAST_SAMPLES = 480  # of a noise clip
Log = Callable[[dict[str, float], int], None]  # values by name, step
AnyNetwork = TypeVar("AnyNetwork", bound=nn.Module)

Recordings = Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")]
Banks = Annotated[Path | None, typer.Option(help="Folder with the sound bank")]
ConfigFile = Annotated[Path | None, typer.Option("--config", help="Another recipe")]
Out = Annotated[Path, typer.Option(help="The weights; their card goes beside them")]
Without = Annotated[list[str] | None, typer.Option(help="Leave out parts whose name holds this word")]
Quarter = Annotated[list[int] | None, typer.Option(help="Use noise clips of these quarters only")]
Steps = Annotated[int, typer.Option(help="Instead of the recipe's")]
Minutes = Annotated[float, typer.Option(help="End training after this long, if that comes first")]
PoolFile = Annotated[Path | None, typer.Option("--pool", help="File that keeps the pool of notes")]


class NoiseConfig(Strict):
    """Which noise clips are used in training."""

    quarters: tuple[int, ...]
    invented: int
    without_sources: tuple[str, ...] = ()  # kept for the test, whole


class CardConfig(Strict):
    """The card's fields beside the measured ones."""

    licences: dict[str, str]
    kept_unheard: str
    known_failures: tuple[str, ...]


class OptimiserConfig(Strict):
    """How long and how fast."""

    steps: int
    minutes: float
    learning_rate: float
    weight_decay: float
    warmup: float
    average: float
    validate_every: int


class Listing(Protocol):
    """What names the recipe by which recordings are listed."""

    @property
    def recipe(self) -> str:
        """A path as of ``shipped``."""
        ...


class NoisyConfig(Protocol):
    """What says which noise clips are used."""

    @property
    def pool(self) -> Listing:
        """The notes' recipe."""
        ...

    @property
    def noise(self) -> NoiseConfig:
        """The clips."""
        ...


class DataConfig(Strict):
    """A network's training data, and its description for the card."""

    seed: int
    card: CardConfig
    pool: PoolRecipe
    noise: NoiseConfig
    train: OptimiserConfig


AnyConfig = TypeVar("AnyConfig", bound=DataConfig)


def with_options(config: AnyConfig, quarters: list[int] | None, steps: int, minutes: float) -> AnyConfig:
    """Return the recipe with the command line's options in it."""
    own = {"steps": steps or config.train.steps, "minutes": minutes or config.train.minutes}
    return config.model_copy(
        update={
            "noise": config.noise.model_copy(update={"quarters": tuple(quarters or config.noise.quarters)}),
            "train": config.train.model_copy(update=own),
        }
    )


def noise_clips(
    config: NoisyConfig,
    recordings: Path,
    quarters: Collection[int],
    seed: int,
    kinds: Collection[str],
    makers: Mapping[str, Maker] | None = None,
) -> list[NoiseClip]:
    """Return the recorded clips of these quarters and kinds, and as many synthetic ones as the recipe says."""
    names = read_toml(shipped(config.pool.recipe), Recipe).noise.kinds
    clips = []
    for row in read_rows(recordings / "noise.csv"):
        own = row.get("source") not in config.noise.without_sources
        if own and row["category"] in names and quarter_of(row["path"]) in quarters:
            wave, rate_hz = read_mono(recordings / row["path"])
            wave = wave[shaping.onset_sample(wave, rate_hz) : shaping.sounding_end(wave, rate_hz, 25.0)]
            clips.append(NoiseClip(names[row["category"]], shaping.retune(wave, rate_hz / RATE_HZ), row["path"]))
    rng, bank = np.random.default_rng([seed, 8]), InventedNoise(RATE_HZ, makers)
    clips += [bank.draw(rng) for _ in range(config.noise.invented)]
    return [clip for clip in clips if clip.kind in kinds and len(clip.waveform) > LEAST_SAMPLES]


def split_parts(pool: Pool, without: Collection[str]) -> tuple[list[int], list[int]]:
    """Return the parts to train and to validate on: what is left out, or else what the recipe holds out."""
    out = [any(name in str(part).lower() for name in without) for part in pool.parts]
    train = [i for i, held in enumerate(pool.held) if not held and not out[i]]
    own = [i for i, name in enumerate(pool.parts) if out[i] and not str(name).startswith("bank ")]
    return train, own or [i for i, held in enumerate(pool.held) if held]


def cached_pool(
    config: DataConfig, recordings: Path, banks: Path | None, file: Path | None, public: Sequence[Recording] = ()
) -> Pool:
    """Return the pool from ``file``; without such a file build it and, if a file is named, save it there."""
    if file and file.exists():
        return load_pool(file)
    pool = build_pool(config.pool, recordings, banks, config.seed, public)
    if file:
        pool.save(file)
    return pool


class TrainingProgress:
    """How far a run is, by steps or by minutes, and the learning rate that follows from it."""

    def __init__(self, config: OptimiserConfig) -> None:
        self.config, self.began, self.minutes = config, time.monotonic(), 0.0

    def set_rate(self, optimizer: torch.optim.Optimizer, step: int) -> bool:
        """Set the learning rate for a step (linear warm-up, cosine decay) and return whether the run continues."""
        train = self.config
        self.minutes = (time.monotonic() - self.began) / 60
        done = max(step / train.steps, self.minutes / train.minutes if train.minutes else 0.0)
        for group in optimizer.param_groups:
            group["lr"] = train.learning_rate * min(done / train.warmup, 0.5 + 0.5 * math.cos(math.pi * done))
        return done < 1


def make_optimizer(parameters: Iterable[nn.Parameter], train: OptimiserConfig) -> torch.optim.Optimizer:
    """Return AdamW with the recipe's settings."""
    return torch.optim.AdamW(parameters, train.learning_rate, (0.9, 0.95), weight_decay=train.weight_decay)


def averaged_copy(network: AnyNetwork) -> AnyNetwork:
    """Return a copy to hold the moving average of the weights."""
    return copy.deepcopy(network).requires_grad_(False).eval()


def update_average(average: nn.Module, network: nn.Module, step: int, decay: float) -> None:
    """Move the average towards the network's weights; the first weights are soon forgotten."""
    share = min(decay, (1 + step) / (10 + step))
    for mean, value in zip(average.parameters(), network.parameters(), strict=True):
        mean.lerp_(value.detach(), 1 - share)


def descend(optimizer: torch.optim.Optimizer, loss: Tensor, parameters: list[nn.Parameter]) -> Tensor:
    """Take one step down the gradient, clipped to norm 1, and return its norm before."""
    optimizer.zero_grad(set_to_none=True)
    loss.backward()  # type: ignore[no-untyped-call]
    norm = nn.utils.clip_grad_norm_(parameters, 1.0)
    optimizer.step()
    return norm


def commit() -> str:
    """Return git's description of the working tree, or "unknown"."""
    command = ["git", "describe", "--always", "--dirty", "--abbrev=12"]
    try:
        found = subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parent)
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return found.stdout.strip()


def training_card(
    made_by: str,
    config: DataConfig,
    pool: Pool,
    split: tuple[list[int], list[int]],
    clips: int,
    network: nn.Module,
    run: dict[str, object],
) -> dict[str, object]:
    """Return the card of a trained network; ``run`` holds what this run was and found."""
    train, held = split
    cuda = next(network.parameters()).is_cuda
    return {
        "made_by": made_by,
        "commit": commit(),
        "seed": config.seed,
        "trained_on": trained_on(config, pool, train, clips),
        **config.card.model_dump(mode="json"),
        "pool": {"notes": len(pool.start), "parts": len(pool.parts), "sha256": pool.digest()},
        "device": torch.cuda.get_device_name() if cuda else "cpu",
        "parameters": sum(p.numel() for p in network.parameters()),
        "validated_on": sorted({str(pool.parts[i]).split("/")[0] for i in held}),
        **run,
        "config": config.model_dump(mode="json", exclude={"card"}),
    }


def trained_on(config: DataConfig, pool: Pool, parts: list[int], clips: int) -> dict[str, object]:
    """Return the training data: notes of each instrument or family, and noise clips."""
    names = [str(name).split("/")[0] for name in pool.parts]
    count = np.bincount(pool.part, minlength=len(names))
    notes: dict[str, int] = {}
    for part in parts:
        name = "voices" if names[part].startswith("voice ") else names[part]
        notes[name] = notes.get(name, 0) + int(count[part])
    return {"notes": notes, "noise_clips": clips, "noise_quarters": list(config.noise.quarters)}


def tracked_run(
    experiment: str,
    config: Strict,
    out: Path,
    settings: dict[str, str],
    train: Callable[[Log], tuple[Any, dict[str, object]]],
    save: Callable[[Any, Path, dict[str, object]], str],
) -> None:
    """Train once, tracked, and write the network with its card; every line of the log goes to stderr too."""
    with tracked(experiment, out.stem, out.absolute().parent / FOLDER) as run:
        run.settings(settings | {"commit": commit()})
        run.text("config.json", json.dumps(config.model_dump(mode="json"), indent=1))

        def log(values: dict[str, float], step: int) -> None:
            run.numbers({name: value for name, value in values.items() if math.isfinite(value)}, step)
            line = {"step": step} | {name: round(value, 4) for name, value in values.items()}
            print(json.dumps(line), file=sys.stderr, flush=True)

        network, card = train(log)
        name = save(network, out, card | {"mlflow_run": run.run_id})
        run.file(out.with_suffix(".json"))
    for problem in run.problems:
        print(f"not tracked: {problem}", file=sys.stderr)
    print(f"{out}: {name}")
