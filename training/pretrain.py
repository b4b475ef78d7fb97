"""Trains the encoder: ``python -m training.pretrain --recordings FOLDER --banks FOLDER``. Read from top to bottom.

Settings come from configs/pretrain.toml. Notes of real, bank and invented instruments, good and spoilt (pool.py), are
laid out as takes and recorded by random microphones in random rooms, twice each (batches.py); encoder_losses.py holds
the aims. Writes weights and a card; MLflow tracks the run. ``fit`` does not depend on MLflow.
"""

import time
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import typer
from torch import nn

from training.batches import EncoderRenderer
from training.encoder_losses import Losses
from training.encoder_validation import EncoderValidation
from training.layout import Plan, StageRecipe, plan
from training.network_training import (
    TRAINING_QUARTERS,
    Banks,
    ConfigFile,
    DataConfig,
    Log,
    Minutes,
    OptimiserConfig,
    Out,
    PoolFile,
    Quarter,
    Recordings,
    Steps,
    TrainingProgress,
    Without,
    averaged_copy,
    cached_pool,
    descend,
    make_optimizer,
    noise_clips,
    split_parts,
    tracked_run,
    training_card,
    update_average,
    with_options,
)
from training.pool import Pool
from triage.config import Strict, read_toml, shipped
from triage.domain.errors import ConfigError
from triage.listen.encoder import NOISES, SHIPPED, EncoderShape, Network, save_encoder

LOG_EVERY = 50


class EncoderShapeConfig(Strict):
    """Sizes of the network, as of triage.listen.encoder.EncoderShape."""

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


class PretrainOptimiser(OptimiserConfig):
    """[train] of configs/pretrain.toml."""

    dropout: float
    validation_episodes: int


class PretrainConfig(DataConfig):
    """All of configs/pretrain.toml."""

    stage: StageRecipe
    network: EncoderShapeConfig
    aims: AimsConfig
    train: PretrainOptimiser


def without_aims(config: PretrainConfig, left_out: list[str]) -> PretrainConfig:
    """Return the recipe with some aims left out."""
    if unknown := sorted(set(left_out) - AimsConfig.model_fields.keys()):
        raise ConfigError(f"--no-aim {unknown[0]}: no such aim; there are {', '.join(AimsConfig.model_fields)}")
    return config.model_copy(update={"aims": config.aims.model_copy(update=dict.fromkeys(left_out, 0.0))})


def fit(
    network: Network,
    renderer: EncoderRenderer,
    parts: list[int],
    config: PretrainConfig,
    log: Log,
    validate: Callable[[Network], dict[str, float]] | None = None,
) -> tuple[Network, int]:
    """Train ``network`` in place; return the moving average of its weights and the number of the last step."""
    train, device = config.train, renderer.device
    losses = Losses(network.shape.dimension).to(device)
    average = averaged_copy(set_dropout(network, train.dropout))
    parameters = [*network.parameters(), *losses.parameters()]
    optimizer, progress = make_optimizer(parameters, train), TrainingProgress(train)
    weights = {aim: weight for aim, weight in config.aims.model_dump().items() if weight}
    with ThreadPoolExecutor(1) as planner:
        following = planner.submit(plan_batch, renderer, parts, config.seed, 0)
        for step in range(train.steps):
            takes, following = following.result(), planner.submit(plan_batch, renderer, parts, config.seed, step + 1)
            if not progress.set_rate(optimizer, step):
                break
            with torch.no_grad():
                batch = renderer.render(takes, config.seed * 1_000_000 + step)
            with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
                vectors, logits = network(batch.frames, batch.lengths, batch.times)
            found = losses(vectors, logits, batch, renderer.recipe.takes, network.direction)
            aims = (weights[aim] * value for aim, value in found.items() if aim in weights)
            loss = sum(aims, start=torch.zeros((), device=device))
            norm = descend(optimizer, loss, parameters)
            update_average(average, network, step, train.average)
            if step % LOG_EVERY == 0:
                values = {name: value.item() for name, value in (found | {"gradient": norm}).items()}
                log(
                    {f"train/{name}": value for name, value in (values | {"minutes": progress.minutes}).items()}, step
                )
            if validate and step and step % train.validate_every == 0:
                log(validate(average), step)
    return average, step


def plan_batch(renderer: EncoderRenderer, parts: list[int], seed: int, step: int) -> Plan:
    """Return the takes of a step's batch."""
    return plan(renderer.pool, parts, renderer.recipe, np.random.default_rng([seed, 9, step]))


def set_dropout(network: Network, share: float) -> Network:
    """Set every dropout layer, and return the network."""
    for module in network.modules():
        if isinstance(module, nn.Dropout):
            module.p = share
    return network


def train_once(
    config: PretrainConfig, pool: Pool, recordings: Path, without: Collection[str], log: Log
) -> tuple[Network, dict[str, object]]:
    """Train and validate one encoder; return it and its card."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(config.seed)
    split = split_parts(pool, without)
    network = Network(EncoderShape(**config.network.model_dump())).to(device)
    samples, plain = torch.from_numpy(pool.samples).to(device), config.stage.model_copy(update={"warp": 0.0})
    held_out = [quarter for quarter in TRAINING_QUARTERS if quarter not in config.noise.quarters]
    clips = noise_clips(config, recordings, held_out, config.seed + 1, NOISES)
    other = EncoderRenderer(pool, samples, clips, plain, config.seed + 1)
    validation = EncoderValidation(other, split[1], config.train.validation_episodes, config.seed)
    clips = noise_clips(config, recordings, config.noise.quarters, config.seed, NOISES)
    renderer = EncoderRenderer(pool, samples, clips, config.stage, config.seed)
    baseline = validation.baseline()
    log(baseline, 0)
    began = time.monotonic()
    average, steps = fit(network, renderer, split[0], config, log, validation)
    scores = validation(average)
    log(scores, steps)
    run: dict[str, object] = {"without": list(without), "steps": steps}
    run |= {"minutes": round((time.monotonic() - began) / 60, 1), "scores": scores | baseline}
    return average, training_card("python -m training.pretrain", config, pool, split, len(clips), average, run)


def main(
    recordings: Recordings,
    banks: Banks = None,
    config_file: ConfigFile = None,
    out: Out = Path(SHIPPED),
    without: Without = None,
    quarter: Quarter = None,
    no_aim: Annotated[list[str] | None, typer.Option(help="Leave out an aim")] = None,
    steps: Steps = 0,
    minutes: Minutes = 0.0,
    pool_file: PoolFile = None,
) -> None:
    """Train an encoder and write its weights and card; MLFLOW_TRACKING_URI says where the run is tracked."""
    config = read_toml(config_file or shipped("configs/pretrain.toml"), PretrainConfig)
    config = with_options(without_aims(config, no_aim or []), quarter, steps, minutes)
    pool, left_out = cached_pool(config, recordings, banks, pool_file), tuple(without or ())
    settings = {"without": " ".join(left_out), "no_aim": " ".join(no_aim or ())}
    tracked_run(
        "encoder",
        config,
        out,
        settings,
        lambda log: train_once(config, pool, recordings, left_out, log),
        save_encoder,
    )


if __name__ == "__main__":
    typer.run(main)
