"""Trains the encoder: ``python -m training.pretrain --recordings FOLDER --banks FOLDER``. Read from top to bottom.

Settings come from configs/pretrain.toml. Notes of real, bank and invented instruments, good and spoilt (pool.py), are
laid out as takes and heard by random microphones in random rooms, twice each (batches.py). Four aims: find the same
note again in another room among its neighbours; say at each step which noise or fault is to be heard; tell spoilt
notes from how they differ from their cohort; tell by how much they differ in tuning, attack, length, brightness and
level. Writes weights and a card; MLflow tracks the run. ``fit`` knows nothing of MLflow.
"""

import copy
import json
import math
import subprocess
import sys
import time
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import torch
import typer
from torch import Tensor, nn
from torch.nn import functional

from training import note_editing as shaping
from training.batches import VIEWS, Batch, Stage
from training.layout import StageRecipe, plan
from training.noises import InventedNoise
from training.plans import NoiseClip
from training.pool import KINDS, MEASURED, RATE_HZ, Pool, PoolRecipe, build_pool, load_pool
from training.recipe import Recipe
from training.recordings import read_mono, read_rows
from training.tracking import tracked
from training.unseen_evaluation import Validation
from triage.config import Strict, read_toml, shipped
from triage.domain.errors import ConfigError
from triage.listen.encoder import LEANINGS, NOISES, SHIPPED, Network, Shape, save_encoder

FIRST_HALF = (0, 2)  # crc32 of a clip's path by 4; 1 and 3 are kept unheard for training/evaluate.py
SIDES = 32  # directions whose squares say how far a note is off, either way
Log = Callable[[dict[str, float], int], None]  # values by name, step


# ---------------------------------------------------------------------------------------------------- settings


class NoiseConfig(Strict):
    """Which noise clips are heard while training."""

    quarters: tuple[int, ...]
    invented: int


class NetworkConfig(Strict):
    """Sizes of the network, as of triage.listen.encoder.Shape."""

    width: int
    blocks: int
    kernel: int
    widening: int
    hidden: int
    dimension: int


class AimsConfig(Strict):
    """Weight of each aim."""

    contrastive: float
    evidence: float
    cohort: float
    measurements: float


class TrainConfig(Strict):
    """How long and how fast."""

    steps: int
    minutes: float
    learning_rate: float
    weight_decay: float
    warmup: float
    average: float
    dropout: float
    validate_every: int
    validation_episodes: int


class CardConfig(Strict):
    """What the card says beside what is measured."""

    licences: dict[str, str]
    kept_unheard: str
    known_failures: tuple[str, ...]


class HeardConfig(Strict):
    """What a network is trained on, and what its card says of it."""

    seed: int
    card: CardConfig
    pool: PoolRecipe
    noise: NoiseConfig


class PretrainConfig(HeardConfig):
    """All of configs/pretrain.toml."""

    stage: StageRecipe
    network: NetworkConfig
    aims: AimsConfig
    train: TrainConfig


# ---------------------------------------------------------------------------------------------------- data


def noise_clips(config: PretrainConfig, recordings: Path, quarters: tuple[int, ...], seed: int) -> list[NoiseClip]:
    """Return the real clips of these quarters and as many invented ones as the recipe says."""
    kinds = read_toml(shipped(config.pool.recipe), Recipe).noise.kinds
    clips = []
    for row in read_rows(recordings / "noise.csv"):
        if row["category"] in kinds and zlib.crc32(row["path"].encode()) % 4 in quarters:
            wave, rate_hz = read_mono(recordings / row["path"])
            wave = wave[shaping.onset_sample(wave, rate_hz) : shaping.sounding_end(wave, rate_hz, 25.0)]
            kind = kinds[row["category"]]
            clips.append(NoiseClip(kind, shaping.retune(wave, rate_hz / RATE_HZ), row["path"]))
    rng, bank = np.random.default_rng([seed, 8]), InventedNoise(RATE_HZ)
    clips += [bank.draw(rng) for _ in range(config.noise.invented)]
    return [clip for clip in clips if clip.kind in NOISES and len(clip.waveform) > 480]


def parts_for(pool: Pool, without: tuple[str, ...]) -> tuple[list[int], list[int]]:
    """Return the parts to train on and those to validate on: what is left out, or else what the recipe keeps back."""
    out = [any(word in str(name).lower() for word in without) for name in pool.parts]
    train = [i for i, held in enumerate(pool.held) if not held and not out[i]]
    own = [i for i, name in enumerate(pool.parts) if out[i] and not str(name).startswith("bank ")]
    return train, own or [i for i, held in enumerate(pool.held) if held]


# ---------------------------------------------------------------------------------------------------- aims


class Aims(nn.Module):
    """What is asked of the vectors while training; none of it is kept."""

    def __init__(self, dimension: int):
        super().__init__()
        self.again = nn.Linear(dimension, dimension)
        self.sides = nn.Linear(dimension, SIDES, bias=False)
        self.kind = nn.Linear(dimension + SIDES, len(KINDS))
        self.measure = nn.Linear(dimension, len(MEASURED))
        self.steep, self.middle = nn.Parameter(torch.tensor(0.5)), nn.Parameter(torch.tensor(-2.0))

    def losses(self, vectors: Tensor, logits: Tensor, batch: Batch, takes: int, lean: nn.Module) -> dict[str, Tensor]:
        """Return the loss of each aim; rows are view x episode x take, ``takes`` of them an episode."""
        z = vectors.reshape(len(vectors) // takes, -1, vectors.shape[2])  # (view x episode, note, dimension)
        there, kind, sure = (value.reshape(len(z), -1) for value in (batch.there, batch.kind, batch.sure))
        off = apart(z, there)
        told = there & sure
        bad = (kind > 0).float()
        square = off.square().sum(dim=2) + 1e-4
        usual = torch.where(there, square, torch.nan).nanmedian(dim=1, keepdim=True).values
        doubt = functional.softplus(self.steep) * torch.log(square / usual) + self.middle
        far = functional.binary_cross_entropy_with_logits(doubt[told], bad[told])
        # sharp and flat, long and short are one kind each: squares see both sides
        both = torch.cat((off, self.sides(off).square()), dim=2)
        named = functional.cross_entropy(self.kind(both)[told], kind[told], label_smoothing=0.05)
        one_sided = torch.stack([kind == KINDS.index(name) for name in LEANINGS], dim=2).float()
        leaning = functional.binary_cross_entropy_with_logits(lean(off)[told], one_sided[told])
        measures = batch.measures.reshape(len(z), -1, len(MEASURED))
        good = (there & (batch.kind.reshape(len(z), -1) % (len(KINDS) - 1) == 0))[..., None]  # fine, or only noisy
        wanted = measures - torch.where(good, measures, torch.nan).nanmedian(dim=1, keepdim=True).values.nan_to_num()
        measured = functional.smooth_l1_loss(self.measure(off)[there], wanted[there].clamp(-4, 4), beta=0.5)
        step = functional.binary_cross_entropy_with_logits(logits, batch.evidence, batch.weight, reduction="sum")
        return {
            "contrastive": self._found_again(z, kind, told & (kind != len(KINDS) - 1)),
            "evidence": step / batch.weight.sum(),
            "cohort": far + named + 2 * leaning,
            "measurements": measured,
        }

    def _found_again(self, z: Tensor, kind: Tensor, told: Tensor) -> Tensor:
        """Return the cross entropy of picking each note's other view out of its episode.

        InfoNCE (van den Oord et al., arXiv 1807.03748). The wrong answers are the neighbours that were played
        otherwise: the same recording with a fault, next pitches and repetitions with one or, for a spoilt note,
        without. Good neighbours are not pushed apart, for that is what a cohort's spread is made of. A note with a
        noise in either view is left out.
        """
        y = functional.normalize(self.again(z), dim=2)
        first, second = y.chunk(VIEWS)
        score = first @ second.transpose(1, 2) / 0.1  # (episode, note, note)
        kinds, both = kind.chunk(VIEWS)[0], torch.logical_and(*told.chunk(VIEWS))
        itself = torch.eye(kinds.shape[1], device=z.device, dtype=torch.bool)
        wrong = (kinds[:, :, None] != kinds[:, None]) & both[:, None] & both[:, :, None]
        score = score.masked_fill(~(wrong | itself), -1e4)
        asked = both & wrong.any(dim=2)
        target = torch.arange(kinds.shape[1], device=z.device).expand(kinds.shape)[asked]
        return (
            functional.cross_entropy(score[asked], target)
            + functional.cross_entropy(score.transpose(1, 2)[asked], target)
        ) / 2


def apart(z: Tensor, there: Tensor) -> Tensor:
    """Return each vector less the robust mean of the others of its cohort [cohort, note, dimension].

    Weights 1 / (1 + (|z - median| / usual)^2), fixed while the gradient is taken: spoilt notes hardly move the mean.
    """
    with torch.no_grad():
        known = torch.where(there[..., None], z, torch.nan)
        away = (known - known.nanmedian(dim=1, keepdim=True).values).norm(dim=2)
        weight = 1 / (1 + (away / (away.nanmedian(dim=1, keepdim=True).values + 1e-6)).square())
        weight = weight.nan_to_num() * there
    others = (weight[..., None] * z).sum(dim=1, keepdim=True) - weight[..., None] * z
    return z - others / (weight.sum(dim=1, keepdim=True) - weight).clamp(min=1e-3)[..., None]


# ---------------------------------------------------------------------------------------------------- the loop


def fit(
    network: Network,
    stage: Stage,
    parts: list[int],
    config: PretrainConfig,
    log: Log,
    validate: Callable[[Network], dict[str, float]] | None = None,
) -> tuple[Network, int]:
    """Train ``network`` in place; return the running average of its weights and how many steps were made."""
    train, device = config.train, stage.device
    aims = Aims(network.shape.dimension).to(device)
    for module in network.modules():
        if isinstance(module, nn.Dropout):
            module.p = train.dropout
    kept = copy.deepcopy(network).requires_grad_(False).eval()
    optimizer = torch.optim.AdamW(
        [*network.parameters(), *aims.parameters()], train.learning_rate, (0.9, 0.95), weight_decay=train.weight_decay
    )
    weights, began, done = config.aims.model_dump(), time.monotonic(), 0.0
    with ThreadPoolExecutor(1) as planner:

        def planned(step: int) -> Any:
            rng = np.random.default_rng([config.seed, 9, step])
            return planner.submit(plan, stage.pool, parts, stage.recipe, rng)

        following = planned(0)
        for step in range(train.steps):
            laid, following = following.result(), planned(step + 1)
            minutes = (time.monotonic() - began) / 60
            done = max(step / train.steps, minutes / train.minutes if train.minutes else 0.0)
            if done >= 1:
                break
            for group in optimizer.param_groups:
                group["lr"] = train.learning_rate * min(done / train.warmup, 0.5 + 0.5 * math.cos(math.pi * done))
            with torch.no_grad():
                batch = stage.hear(laid, config.seed * 1_000_000 + step)
            with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
                vectors, logits = network(batch.frames, batch.lengths, batch.times)
            losses = aims.losses(vectors, logits, batch, stage.recipe.takes, network.lean)
            loss = sum(weights[name] * value for name, value in losses.items() if weights[name])
            optimizer.zero_grad(set_to_none=True)
            loss.backward()
            size = nn.utils.clip_grad_norm_([*network.parameters(), *aims.parameters()], 1.0)
            optimizer.step()
            share = min(train.average, (1 + step) / (10 + step))  # the first weights are soon forgotten
            for mean, value in zip(kept.parameters(), network.parameters(), strict=True):
                mean.lerp_(value.detach(), 1 - share)
            if step % 50 == 0:
                log(
                    {f"train/{name}": value.item() for name, value in losses.items()}
                    | {"train/gradient": float(size), "train/minutes": minutes},
                    step,
                )
            if validate and step and step % train.validate_every == 0:
                log(validate(kept), step)
    return kept, step


# ---------------------------------------------------------------------------------------------------- the run


def commit() -> str:
    """Return what git says the working tree is, or "unknown"."""
    asked = ["git", "describe", "--always", "--dirty", "--abbrev=12"]
    try:
        told = subprocess.run(asked, capture_output=True, text=True, check=True, cwd=Path(__file__).parent)
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return told.stdout.strip()


def changed(
    config: PretrainConfig, quarters: list[int], no_aim: list[str], steps: int, minutes: float
) -> PretrainConfig:
    """Return the recipe with what the command line asks for in it."""
    if unknown := sorted(set(no_aim) - AimsConfig.model_fields.keys()):
        raise ConfigError(f"--no-aim {unknown[0]}: no such aim; there are {', '.join(AimsConfig.model_fields)}")
    own = {"steps": steps or config.train.steps, "minutes": minutes or config.train.minutes}
    return config.model_copy(
        update={
            "aims": config.aims.model_copy(update=dict.fromkeys(no_aim, 0.0)),
            "noise": config.noise.model_copy(update={"quarters": tuple(quarters or config.noise.quarters)}),
            "train": config.train.model_copy(update=own),
        }
    )


def kept_pool(config: HeardConfig, recordings: Path, banks: Path | None, file: Path | None) -> Pool:
    """Return the pool out of its file, or made and, if there is a name for it, kept there."""
    if file and file.exists():
        return load_pool(file)
    pool = build_pool(config.pool, recordings, banks, config.seed)
    if file:
        pool.save(file)
    return pool


def run_once(
    config: PretrainConfig, pool: Pool, recordings: Path, without: tuple[str, ...], log: Log
) -> tuple[Network, dict[str, object]]:
    """Train and validate one encoder; return it and what its card says."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(config.seed)
    train, held = parts_for(pool, without)
    network = Network(Shape(**config.network.model_dump())).to(device)
    heard = config.noise.quarters
    unheard = tuple(q for q in FIRST_HALF if q not in heard)
    samples, plain = torch.from_numpy(pool.samples).to(device), config.stage.model_copy(update={"warp": 0.0})
    clips = noise_clips(config, recordings, unheard, config.seed + 1)
    other = Stage(pool, samples, clips, plain, config.seed + 1)
    validation = Validation(other, held, config.train.validation_episodes, config.seed)
    clips = noise_clips(config, recordings, heard, config.seed)
    stage = Stage(pool, samples, clips, config.stage, config.seed)
    simple = validation.simplest()
    log(simple, 0)
    began = time.monotonic()
    kept, steps = fit(network, stage, train, config, log, validation)
    found = validation(kept)
    log(found, steps)
    return kept, {
        "made_by": "python -m training.pretrain",
        "commit": commit(),
        "seed": config.seed,
        "trained_on": trained_on(config, pool, train, len(clips)),
        **config.card.model_dump(mode="json"),
        "pool": {"notes": len(pool.start), "parts": len(pool.parts), "sha256": pool.digest()},
        "without": list(without),
        "steps": steps,
        "minutes": round((time.monotonic() - began) / 60, 1),
        "device": torch.cuda.get_device_name() if device == "cuda" else "cpu",
        "parameters": sum(p.numel() for p in kept.parameters()),
        "validated_on": sorted({str(pool.parts[i]).split("/")[0] for i in held}),
        "scores": found | simple,
        "config": config.model_dump(mode="json", exclude={"card"}),
    }


def trained_on(config: HeardConfig, pool: Pool, parts: list[int], clips: int) -> dict[str, object]:
    """Return what an encoder heard: notes of each instrument or family, and noise clips."""
    names = [str(name).split("/")[0] for name in pool.parts]
    count = np.bincount(pool.part, minlength=len(names))
    notes: dict[str, int] = {}
    for part in parts:
        name = "voices" if names[part].startswith("voice ") else names[part]
        notes[name] = notes.get(name, 0) + int(count[part])
    return {"notes": notes, "noise_clips": clips, "noise_quarters": list(config.noise.quarters)}


def keep(
    experiment: str,
    config: HeardConfig,
    out: Path,
    told: dict[str, str],
    run_once: Callable[[Log], tuple[Any, dict[str, object]]],
    save: Callable[[Any, Path, dict[str, object]], str],
) -> None:
    """Make one run, tracked, and write what it made with its card; every line of it goes to stderr too."""
    with tracked(experiment, out.stem) as run:
        run.settings(told | {"commit": commit()})
        run.text("config.json", json.dumps(config.model_dump(mode="json"), indent=1))

        def log(values: dict[str, float], step: int) -> None:
            run.numbers({name: value for name, value in values.items() if math.isfinite(value)}, step)
            line = {"step": step} | {name: round(value, 4) for name, value in values.items()}
            print(json.dumps(line), file=sys.stderr, flush=True)

        network, card = run_once(log)
        name = save(network, out, card | {"mlflow_run": run.run_id})
        run.file(out.with_suffix(".json"))
    for problem in run.problems:
        print(f"not tracked: {problem}", file=sys.stderr)
    print(f"{out}: {name}")


def main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    banks: Annotated[Path | None, typer.Option(help="Folder with the sound bank")] = None,
    config_file: Annotated[Path | None, typer.Option("--config")] = None,
    out: Annotated[Path, typer.Option(help="The weights; their card goes beside them")] = Path(SHIPPED),
    without: Annotated[list[str] | None, typer.Option(help="Leave out parts whose name holds this word")] = None,
    quarter: Annotated[list[int] | None, typer.Option(help="Hear noise clips of these quarters only")] = None,
    no_aim: Annotated[list[str] | None, typer.Option(help="Leave out an aim")] = None,
    steps: Annotated[int, typer.Option(help="Instead of the recipe's")] = 0,
    minutes: Annotated[float, typer.Option(help="End learning after this long, if that comes first")] = 0.0,
    pool_file: Annotated[Path | None, typer.Option("--pool", help="File that keeps the pool of notes")] = None,
) -> None:
    """Train an encoder and write its weights and card; MLFLOW_TRACKING_URI says where the run is tracked."""
    config = read_toml(config_file or shipped("configs/pretrain.toml"), PretrainConfig)
    config = changed(config, quarter or [], no_aim or [], steps, minutes)
    pool = kept_pool(config, recordings, banks, pool_file)
    told = {"without": " ".join(without or ()), "no_aim": " ".join(no_aim or ())}
    keep(
        "encoder",
        config,
        out,
        told,
        lambda log: run_once(config, pool, recordings, tuple(without or ()), log),
        save_encoder,
    )


if __name__ == "__main__":
    typer.run(main)
