"""Trains the noise network: ``python -m training.noise_training --recordings FOLDER --banks FOLDER``.

Settings come from configs/noise_training.toml. Takes of real, bank and invented notes with noises among them are made
on the device, from the seed, as one to four microphones of a room hear them (noise_stage.py). The network learns at
every step whether a noise can be heard, where, how far over the music, and its kind. Writes weights and a card.
"""

import copy
import math
import time
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
from training.layout import plan
from training.noise_batches import NoiseStage, NoisyBatch, NoisyRecipe
from training.noises import InventedNoise
from training.plans import NoiseClip
from training.pool import RATE_HZ, Pool
from training.pretrain import HeardConfig, commit, keep, kept_pool, parts_for, trained_on
from training.recipe import Recipe
from training.recordings import quarter_of, read_mono, read_rows
from training.synthetic_noises import MAKERS
from triage.config import Strict, read_toml, shipped
from triage.domain.kinds import NOISES
from triage.listen.noise_network import AUDIBLE_DB, SHIPPED, Heard, NoiseNetwork, Shape, save_detector

MOST_DB = 40.0  # further over the music than this all noises are alike
Log = Callable[[dict[str, float], int], None]


class NetworkConfig(Strict):
    """Sizes of the network, as of triage.listen.noise_network.Shape."""

    width: int
    blocks: int
    kernel: int
    widening: int
    told: int
    joint: int


class TrainConfig(Strict):
    """How long and how fast."""

    rows: int  # microphones in a batch
    mics: tuple[int, ...]  # of a take, drawn for each batch
    remembered: int  # batches
    replays: int  # of remembered batches for each new one
    steps: int
    minutes: float
    learning_rate: float
    weight_decay: float
    warmup: float
    average: float
    validate_every: int
    validation_batches: int


class NoiseTrainingConfig(HeardConfig):
    """All of configs/noise_training.toml."""

    stage: NoisyRecipe
    network: NetworkConfig
    train: TrainConfig


def noise_clips(
    config: NoiseTrainingConfig, recordings: Path, quarters: tuple[int, ...], seed: int
) -> list[NoiseClip]:
    """Return the real clips of these quarters and as many made ones of every kind as the recipe says."""
    kinds = read_toml(shipped(config.pool.recipe), Recipe).noise.kinds
    clips = []
    for row in read_rows(recordings / "noise.csv"):
        if row["category"] in kinds and quarter_of(row["path"]) in quarters:
            wave, rate_hz = read_mono(recordings / row["path"])
            wave = wave[shaping.onset_sample(wave, rate_hz) : shaping.sounding_end(wave, rate_hz, 25.0)]
            clips.append(NoiseClip(kinds[row["category"]], shaping.retune(wave, rate_hz / RATE_HZ), row["path"]))
    rng, bank = np.random.default_rng([seed, 8]), InventedNoise(RATE_HZ, MAKERS)
    clips += [bank.draw(rng) for _ in range(config.noise.invented)]
    return [clip for clip in clips if len(clip.waveform) > 480]


def loss_of(found: Heard, batch: NoisyBatch) -> dict[str, Tensor]:
    """Return the loss of each thing asked."""
    weight = batch.weight
    any_ = functional.binary_cross_entropy_with_logits(found.any, batch.any, weight, reduction="sum") / weight.sum()
    mics = weight[:, None].expand_as(batch.there)
    there = functional.binary_cross_entropy_with_logits(found.there, batch.there, mics, reduction="sum") / mics.sum()
    wanted = batch.audible.clamp(max=MOST_DB) / AUDIBLE_DB
    more = 0.03 + batch.there  # how far a noise is heard is asked where there is one
    far = (functional.smooth_l1_loss(found.audible, wanted, beta=0.2, reduction="none") * more).sum() / more.sum()
    told = batch.any > 0
    kinds = found.kinds.transpose(1, 2)[told], batch.kind[told]
    named = functional.cross_entropy(*kinds, label_smoothing=0.05) if told.any() else found.kinds.sum() * 0
    return {"any": any_, "there": there, "audible": far, "kinds": 0.1 * named}


def fit(
    network: NoiseNetwork,
    stage: NoiseStage,
    parts: list[int],
    config: NoiseTrainingConfig,
    log: Log,
    validate: Callable[[NoiseNetwork], dict[str, float]],
) -> tuple[NoiseNetwork, int]:
    """Train ``network`` in place; return the running average of its weights and how many steps were made."""
    train = config.train
    kept = copy.deepcopy(network).requires_grad_(False).eval()
    optimizer = torch.optim.AdamW(
        network.parameters(), train.learning_rate, (0.9, 0.95), weight_decay=train.weight_decay
    )
    known: list[NoisyBatch] = []
    chosen, began = np.random.default_rng([config.seed, 10]), time.monotonic()
    with ThreadPoolExecutor(2) as planner:
        waiting = [planner.submit(laid, config, stage.pool, parts, step) for step in range(3)]
        for step in range(train.steps):
            mics, takes = waiting.pop(0).result()
            waiting.append(planner.submit(laid, config, stage.pool, parts, step + 3))
            minutes = (time.monotonic() - began) / 60
            done = max(step / train.steps, minutes / train.minutes if train.minutes else 0.0)
            if done >= 1:
                break
            for group in optimizer.param_groups:
                group["lr"] = train.learning_rate * min(done / train.warmup, 0.5 + 0.5 * math.cos(math.pi * done))
            with torch.no_grad():
                fresh = stage.hear(takes, mics, config.seed * 1_000_000 + step)
            known = [*known, fresh][-train.remembered :]
            # rendering takes longer than learning: each batch is heard a few times, each time on another mel axis
            for index in (len(known) - 1, *chosen.integers(len(known), size=train.replays)):
                batch = stage.again(known[index])
                losses = loss_of(heard_by(network, batch), batch)
                optimizer.zero_grad(set_to_none=True)
                sum(losses.values()).backward()  # type: ignore[union-attr]
                nn.utils.clip_grad_norm_(network.parameters(), 1.0)
                optimizer.step()
                share = min(train.average, (1 + step) / (10 + step))  # the first weights are soon forgotten
                for mean, value in zip(kept.parameters(), network.parameters(), strict=True):
                    mean.lerp_(value.detach(), 1 - share)
            if step % 50 == 0:
                log({f"train/{name}": value.item() for name, value in losses.items()} | {"minutes": minutes}, step)
            if step and step % train.validate_every == 0:
                log(validate(kept), step)
    return kept, step


def laid(config: NoiseTrainingConfig, pool: Pool, parts: list[int], step: int) -> tuple[int, Any]:
    """Return how many microphones a batch has and the takes of it."""
    rng = np.random.default_rng([config.seed, 9, step])
    mics = int(rng.choice(config.train.mics))
    episodes = max(1, config.train.rows // (mics * config.stage.takes))
    return mics, plan(pool, parts, config.stage.model_copy(update={"episodes": episodes}), rng)


def heard_by(network: NoiseNetwork, batch: NoisyBatch) -> Heard:
    """Return what a network says of a batch, as logits."""
    takes, mics = batch.frames.shape[:2]
    device = batch.frames.device.type
    with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
        marks = batch.marks[:, None].expand(-1, mics, -1, -1)
        told = network.own(batch.frames.flatten(0, 1), marks.flatten(0, 1))
        return network.joint(told.float().view(takes, mics, *told.shape[1:]))


class Validation:
    """Takes of instruments that take no part in training, rendered once: average precision over steps, and more."""

    def __init__(self, stage: NoiseStage, parts: list[int], config: NoiseTrainingConfig):
        with torch.no_grad():
            self.batches = [
                stage.hear(takes, mics, 77_000 + i)
                for i in range(config.train.validation_batches)
                for mics, takes in (laid(config, stage.pool, parts, 1_000_000 + i),)
            ]

    def __call__(self, network: NoiseNetwork) -> dict[str, float]:
        """Return scores of a network, higher being better but for ``val/audible_db``."""
        from sklearn.metrics import average_precision_score, roc_auc_score

        said, true, kinds, far = [], [], [], []
        with torch.no_grad():
            for batch in self.batches:
                found, known = heard_by(network, batch), batch.weight > 0
                said.append(found.any[known].float().cpu().numpy())
                true.append(batch.any[known].cpu().numpy() > 0)
                told = batch.any > 0
                kinds.append((found.kinds.argmax(dim=1)[told] == batch.kind[told]).float().cpu().numpy())
                there = batch.there > 0
                error = found.audible[there] * AUDIBLE_DB - batch.audible[there].clamp(max=MOST_DB)
                far.append(error.abs().cpu().numpy())
        whole = np.concatenate(said), np.concatenate(true)
        return {
            "val/average_precision": float(average_precision_score(whole[1], whole[0])),
            "val/auroc": float(roc_auc_score(whole[1], whole[0])),
            "val/kind_right": float(np.concatenate(kinds).mean()),
            "val/audible_db": float(np.concatenate(far).mean()),
        }


def run_once(
    config: NoiseTrainingConfig, pool: Pool, recordings: Path, without: tuple[str, ...], log: Log
) -> tuple[NoiseNetwork, dict[str, object]]:
    """Train and validate one network; return it and what its card says."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(config.seed)
    train, held = parts_for(pool, without)
    network = NoiseNetwork(Shape(**config.network.model_dump())).to(device)
    unheard = tuple(q for q in (0, 2) if q not in config.noise.quarters)
    samples = torch.from_numpy(pool.samples).to(device)
    other = noise_clips(config, recordings, unheard, config.seed + 1)
    clips = noise_clips(config, recordings, config.noise.quarters, config.seed)
    validation = Validation(NoiseStage(pool, samples, other, config.stage, config.seed + 1), held, config)
    stage = NoiseStage(pool, samples, clips, config.stage, config.seed)
    began = time.monotonic()
    kept, steps = fit(network, stage, train, config, log, validation)
    found = validation(kept)
    log(found, steps)
    return kept, {
        "made_by": "python -m training.noise_training",
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
        "kinds": list(NOISES),
        "validated_on": sorted({str(pool.parts[i]).split("/")[0] for i in held}),
        "scores": found,
        "config": config.model_dump(mode="json", exclude={"card"}),
    }


def main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    banks: Annotated[Path | None, typer.Option(help="Folder with the sound bank")] = None,
    config_file: Annotated[Path | None, typer.Option("--config", help="Another recipe")] = None,
    out: Annotated[Path, typer.Option(help="The weights; their card goes beside them")] = Path(SHIPPED),
    without: Annotated[list[str] | None, typer.Option(help="Leave out parts whose name holds this word")] = None,
    quarter: Annotated[list[int] | None, typer.Option(help="Hear noise clips of these quarters only")] = None,
    steps: Annotated[int, typer.Option(help="Instead of the recipe's")] = 0,
    minutes: Annotated[float, typer.Option(help="End learning after this long, if that comes first")] = 0.0,
    pool_file: Annotated[Path | None, typer.Option("--pool", help="File that keeps the pool of notes")] = None,
) -> None:
    """Train a noise network and write its weights and card; MLFLOW_TRACKING_URI says where the run is tracked."""
    config = read_toml(config_file or shipped("configs/noise_training.toml"), NoiseTrainingConfig)
    own = {"steps": steps or config.train.steps, "minutes": minutes or config.train.minutes}
    config = config.model_copy(
        update={
            "noise": config.noise.model_copy(update={"quarters": tuple(quarter or config.noise.quarters)}),
            "train": config.train.model_copy(update=own),
        }
    )
    pool = kept_pool(config, recordings, banks, pool_file)
    told = {"without": " ".join(without or ())}
    keep(
        "noises",
        config,
        out,
        told,
        lambda log: run_once(config, pool, recordings, tuple(without or ()), log),
        save_detector,
    )


if __name__ == "__main__":
    typer.run(main)
