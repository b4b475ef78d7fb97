"""Trains the encoder on sizes: ``python -m training.size_training --recordings FOLDER --public FOLDER --out FILE``.

Settings come from configs/sizes.toml. Dry notes (dry_notes.py) get faults of known size (planted_sizes.py), are laid
out as takes and recorded in two rooms (size_batches.py); size_losses.py holds the aims. Writes weights and a card.
"""

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import typer

from training.dry_notes import DryNotes, DryNotesRecipe, build_dry_notes, load_dry_notes
from training.layout import StageRecipe
from training.network_training import (
    CardConfig,
    ConfigFile,
    Log,
    Minutes,
    NoiseConfig,
    OptimiserConfig,
    Recordings,
    Steps,
    TrainingProgress,
    averaged_copy,
    commit,
    descend,
    make_optimizer,
    noise_clips,
    tracked_run,
    update_average,
)
from training.plans import NoiseClip
from training.planted_sizes import Planter, SizesRecipe
from training.pretrain import EncoderShapeConfig, set_dropout
from training.size_batches import SizeRenderer, draw_batch, part_weights
from training.size_losses import SizeLosses
from triage.config import Strict, read_toml, shipped
from triage.listen.encoder import NOISES, EncoderShape, Network, load_encoder, save_encoder

LOG_EVERY = 50


class SizeShapeConfig(EncoderShapeConfig):
    """Sizes of the network, as of triage.listen.encoder.EncoderShape."""

    sizes: int


class SizeAims(Strict):
    """Weight of each aim."""

    evidence: float
    cohort: float
    sizes: float
    alike: float


class SizeOptimiser(OptimiserConfig):
    """[train] of configs/sizes.toml."""

    dropout: float


class SizeTrainingConfig(Strict):
    """All of configs/sizes.toml."""

    seed: int
    card: CardConfig
    notes: DryNotesRecipe
    sizes: SizesRecipe
    stage: StageRecipe
    noise: NoiseConfig
    network: SizeShapeConfig
    aims: SizeAims
    train: SizeOptimiser

    @property
    def pool(self) -> DryNotesRecipe:
        """The recipe that says how recordings are listed, by the name that noise_clips asks for."""
        return self.notes


def first_network(config: SizeTrainingConfig, start: Path | None) -> Network:
    """Return the network to train: the weights in the file ``start`` in it where they fit."""
    network = Network(EncoderShape(**config.network.model_dump()))
    if start:
        known = load_encoder(start).network.state_dict()
        network.load_state_dict(network.state_dict() | known)
    return network


def fit(
    network: Network, dry: DryNotes, clips: list[NoiseClip], config: SizeTrainingConfig, log: Log
) -> tuple[Network, int]:
    """Train ``network`` in place; return the moving average of its weights and the number of the last step."""
    train, device = config.train, next(network.parameters()).device
    losses = SizeLosses(network.shape.dimension).to(device)
    average = averaged_copy(set_dropout(network, train.dropout))
    parameters = [*network.parameters(), *losses.parameters()]
    weight = part_weights(dry.parts, config.stage)

    def planned(step: int):  # type: ignore[no-untyped-def]
        return draw_batch(dry, weight, config.stage, config.sizes, np.random.default_rng([config.seed, 9, step]))

    planter = Planter(dry, config.sizes.jnd, device, config.seed)
    renderer = SizeRenderer(planter, planned(0), clips, config.stage, config.seed)
    optimizer, progress = make_optimizer(parameters, train), TrainingProgress(train)
    weights = {aim: value for aim, value in config.aims.model_dump().items() if value}
    with ThreadPoolExecutor(2) as planners:
        ahead = [planners.submit(planned, step) for step in range(3)]
        for step in range(train.steps):
            batch_plan = ahead.pop(0).result()
            ahead.append(planners.submit(planned, step + 3))
            if not progress.set_rate(optimizer, step):
                break
            with torch.no_grad():
                batch = renderer.render_planned(batch_plan, config.seed * 1_000_000 + step)
            with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
                vectors, logits = network(batch.frames, batch.lengths, batch.times)
            found = losses.aims(vectors, logits, batch, config.stage.takes, network)
            aims = (weights[aim] * value for aim, value in found.items() if aim in weights)
            norm = descend(optimizer, sum(aims, start=torch.zeros((), device=device)), parameters)
            update_average(average, network, step, train.average)
            if step % LOG_EVERY == 0:
                values = {name: value.item() for name, value in (found | {"gradient": norm}).items()}
                log({f"train/{name}": value for name, value in values.items()} | {"minutes": progress.minutes}, step)
    return average, step


def train_once(
    config: SizeTrainingConfig, dry: DryNotes, clips: list[NoiseClip], start: Path | None, log: Log
) -> tuple[Network, dict[str, object]]:
    """Train one encoder; return it and its card."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(config.seed)
    began = time.monotonic()
    network, steps = fit(first_network(config, start).to(device), dry, clips, config, log)
    names = [str(part).split("/")[0] for part in dry.parts]
    names = ["voices" if name.startswith("voice ") else name for name in names]
    count = np.bincount(dry.part, minlength=len(names))
    notes: dict[str, int] = {}
    for name, own in zip(names, count, strict=True):
        notes[name] = notes.get(name, 0) + int(own)
    return network, {
        "made_by": "python -m training.size_training",
        "commit": commit(),
        "start": load_encoder(start).name if start else None,
        "seed": config.seed,
        "trained_on": {"dry notes": notes, "noise_clips": len(clips), "noise_quarters": list(config.noise.quarters)},
        **config.card.model_dump(mode="json"),
        "steps": steps,
        "minutes": round((time.monotonic() - began) / 60, 1),
        "device": torch.cuda.get_device_name() if device == "cuda" else "cpu",
        "parameters": sum(p.numel() for p in network.parameters()),
        "config": config.model_dump(mode="json", exclude={"card"}),
    }


def main(
    recordings: Recordings,
    out: Annotated[Path, typer.Option(help="The weights; their card goes beside them")],
    public: Annotated[Path | None, typer.Option(help="Folder with the public recordings")] = None,
    banks: Annotated[Path | None, typer.Option(help="Folder with the sound bank")] = None,
    config_file: ConfigFile = None,
    steps: Steps = 0,
    minutes: Minutes = 0.0,
    start: Annotated[Path | None, typer.Option(help="Weights of training.pretrain to go on from")] = None,
    notes_file: Annotated[Path | None, typer.Option("--notes", help="File that keeps the dry notes")] = None,
) -> None:
    """Train an encoder on sizes and write its weights and card."""
    config = read_toml(config_file or shipped("configs/sizes.toml"), SizeTrainingConfig)
    own = {"steps": steps or config.train.steps, "minutes": minutes or config.train.minutes}
    config = config.model_copy(update={"train": config.train.model_copy(update=own)})
    if notes_file and notes_file.exists():
        dry = load_dry_notes(notes_file)
    else:
        dry = build_dry_notes(config.notes, recordings, public, banks, config.seed)
        if notes_file:
            dry.save(notes_file)
    clips = noise_clips(config, recordings, config.noise.quarters, config.seed, NOISES)
    settings = {"start": str(start)}
    tracked_run(
        "encoder-sizes", config, out, settings, lambda log: train_once(config, dry, clips, start, log), save_encoder
    )


if __name__ == "__main__":
    typer.run(main)
