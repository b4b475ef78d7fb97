"""Trains the noise network: ``python -m training.noise_training --recordings FOLDER --banks FOLDER --public PUBLIC``.

Settings come from configs/noise_training.toml. Takes of real, bank and invented notes with noises among them are
rendered on the device, from the seed, as one to four microphones of a room record them (noise_batches.py). The
network learns at every step whether a noise is audible, on which microphones, how far over the music, and its kind.
Writes weights and a card.
"""

import time
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import typer
from sklearn.metrics import average_precision_score, roc_auc_score
from torch import Tensor
from torch.nn import functional

from training import note_editing as shaping
from training.layout import Plan, plan
from training.network_training import (
    LEAST_SAMPLES,
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
from training.noise_batches import NoiseRenderer, NoisyBatch, NoisyRecipe
from training.plans import NoiseClip
from training.pool import RATE_HZ, Pool
from training.public_recordings import Recording, read_public
from training.recordings import read_mono, read_rows
from training.varied_noises import VARIED, bowing, puff
from triage.config import Strict, read_toml, shipped
from triage.domain.kinds import NOISES
from triage.listen.noise_network import (
    AUDIBLE_DB,
    SHIPPED,
    NoiseNetwork,
    NoiseNetworkShape,
    NoisePrediction,
    save_detector,
)

MOST_DB = 40.0  # over the music; louder noises are all alike
AHEAD = 3  # batches planned ahead
LOG_EVERY = 50
MADE = 60  # natural sounds that are synthesised, of each kind
# Kind of a public recording, or category of noise.csv -> natural sound of playing
SOUNDS_OF = {"breath": "lead-breath", "key": "key-sound", "bow_noise": "bow-sound", "string_noise": "bow-sound"}
AS_NOISE = {"lead-breath": "breath", "key-sound": "mechanism"}  # the same sounds where they do not belong
binary_cross_entropy = functional.binary_cross_entropy_with_logits


class NoiseNetworkShapeConfig(Strict):
    """Sizes of the network, as of triage.listen.noise_network.NoiseNetworkShape."""

    width: int
    blocks: int
    kernel: int
    widening: int
    told: int
    joint: int


class NoiseOptimiser(OptimiserConfig):
    """[train] of configs/noise_training.toml."""

    rows: int  # microphones in a batch
    mics: tuple[int, ...]  # of a take, drawn for each batch
    remembered: int  # batches
    replays: int  # of remembered batches for each new one
    validation_batches: int


class NoiseTrainingConfig(DataConfig):
    """All of configs/noise_training.toml."""

    stage: NoisyRecipe
    network: NoiseNetworkShapeConfig
    train: NoiseOptimiser


def losses_of(logits: NoisePrediction, batch: NoisyBatch) -> dict[str, Tensor]:
    """Return the loss of each output."""
    weight, noisy = batch.weight, batch.any > 0
    any_ = binary_cross_entropy(logits.any, batch.any, weight, reduction="sum") / weight.sum()
    mics = weight[:, None].expand_as(batch.present)
    present = binary_cross_entropy(logits.there, batch.present, mics, reduction="sum") / mics.sum()
    target = batch.audible.clamp(max=MOST_DB) / AUDIBLE_DB
    more = 0.03 + batch.present  # the level matters where there is a noise
    level = (functional.smooth_l1_loss(logits.audible, target, beta=0.2, reduction="none") * more).sum() / more.sum()
    kinds = logits.kinds.transpose(1, 2)[noisy], batch.kind[noisy]
    kind = functional.cross_entropy(*kinds, label_smoothing=0.05) if noisy.any() else logits.kinds.sum() * 0
    own, heard = batch.natural_weight, batch.natural > 0
    natural = binary_cross_entropy(logits.natural, batch.natural, own, reduction="sum") / own.sum().clamp(min=1)
    sounds = logits.sounds.transpose(1, 2)[heard], batch.sound[heard]
    sound = functional.cross_entropy(*sounds) if heard.any() else logits.sounds.sum() * 0
    return {
        "any": any_,
        "there": present,
        "audible": level,
        "kinds": 0.1 * kind,
        "natural": 0.5 * natural,
        "sounds": 0.05 * sound,
    }


def fit(
    network: NoiseNetwork,
    renderer: NoiseRenderer,
    parts: list[int],
    config: NoiseTrainingConfig,
    log: Log,
    validate: Callable[[NoiseNetwork], dict[str, float]],
) -> tuple[NoiseNetwork, int]:
    """Train ``network`` in place; return the moving average of its weights and the number of the last step."""
    train, pool = config.train, renderer.pool
    average, parameters = averaged_copy(network), list(network.parameters())
    optimizer, progress = make_optimizer(parameters, train), TrainingProgress(train)
    remembered: list[NoisyBatch] = []
    replayed = np.random.default_rng([config.seed, 10])
    with ThreadPoolExecutor(2) as planner:
        upcoming = [planner.submit(plan_batch, config, pool, parts, step) for step in range(AHEAD)]
        for step in range(train.steps):
            mics, takes = upcoming.pop(0).result()
            upcoming.append(planner.submit(plan_batch, config, pool, parts, step + AHEAD))
            if not progress.set_rate(optimizer, step):
                break
            with torch.no_grad():
                fresh = renderer.render(takes, mics, config.seed * 1_000_000 + step)
            remembered = [*remembered, fresh][-train.remembered :]
            # Rendering takes longer than learning: each batch is used a few times, each time on another mel axis.
            for index in (len(remembered) - 1, *replayed.integers(len(remembered), size=train.replays)):
                batch = renderer.augment(remembered[index])
                losses = losses_of(forward(network, batch), batch)
                descend(optimizer, sum(losses.values(), start=torch.zeros((), device=renderer.device)), parameters)
                update_average(average, network, step, train.average)
            if step % LOG_EVERY == 0:
                values = {f"train/{name}": value.item() for name, value in losses.items()}
                log(values | {"minutes": progress.minutes}, step)
            if step and step % train.validate_every == 0:
                log(validate(average), step)
    return average, step


def plan_batch(config: NoiseTrainingConfig, pool: Pool, parts: list[int], step: int) -> tuple[int, Plan]:
    """Return how many microphones a batch has, and its takes."""
    rng = np.random.default_rng([config.seed, 9, step])
    mics = int(rng.choice(config.train.mics))
    episodes = max(1, config.train.rows // (mics * config.stage.takes))
    return mics, plan(pool, parts, config.stage.model_copy(update={"episodes": episodes}), rng)


def forward(network: NoiseNetwork, batch: NoisyBatch) -> NoisePrediction:
    """Return a network's logits for a batch."""
    takes, mics = batch.frames.shape[:2]
    device = batch.frames.device.type
    with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
        marks = batch.marks[:, None].expand(-1, mics, -1, -1)
        features = network.own(batch.frames.flatten(0, 1), marks.flatten(0, 1))
        return network.joint(features.float().view(takes, mics, *features.shape[1:]))


class NoiseValidation:
    """Takes of instruments held out of training, rendered once: average precision over steps, and more."""

    def __init__(self, renderer: NoiseRenderer, parts: list[int], config: NoiseTrainingConfig):
        with torch.no_grad():
            self.batches = [
                renderer.render(takes, mics, 77_000 + i)
                for i in range(config.train.validation_batches)
                for mics, takes in (plan_batch(config, renderer.pool, parts, 1_000_000 + i),)
            ]

    def __call__(self, network: NoiseNetwork) -> dict[str, float]:
        """Return scores of a network, higher being better but for ``val/audible_db``."""
        with torch.no_grad():
            parts = [self._compared(forward(network, batch), batch) for batch in self.batches]
        score, noisy, kind_right, error_db, natural_score, natural = (
            torch.cat(column).float().cpu().numpy() for column in zip(*parts, strict=True)
        )
        return {
            "val/average_precision": float(average_precision_score(noisy > 0, score)),
            "val/auroc": float(roc_auc_score(noisy > 0, score)),
            "val/kind_right": float(kind_right.mean()),
            "val/audible_db": float(error_db.mean()),
            "val/natural_auroc": float(roc_auc_score(natural > 0, natural_score)),
        }

    @staticmethod
    def _compared(logits: NoisePrediction, batch: NoisyBatch) -> tuple[Tensor, ...]:
        """Return score and target of each labelled step, whether each kind is right, and the level's errors in dB."""
        labelled, noisy, present = batch.weight > 0, batch.any > 0, batch.present > 0
        right = logits.kinds.argmax(dim=1)[noisy] == batch.kind[noisy]
        error_db = logits.audible[present] * AUDIBLE_DB - batch.audible[present].clamp(max=MOST_DB)
        own = batch.natural_weight > 0
        natural = logits.natural[own], batch.natural[own]
        return logits.any[labelled], batch.any[labelled], right, error_db.abs(), *natural


def natural_sounds(
    config: NoiseTrainingConfig, recordings: Path, public: Sequence[Recording], seed: int
) -> list[NoiseClip]:
    """Return the natural sounds of playing: the public recordings' breaths and keys, bows and strings, and puffs."""
    clips = []
    for one in public:
        if one.instrument in config.pool.public and one.kind in SOUNDS_OF:
            clips.append((SOUNDS_OF[one.kind], one.path))
    for row in read_rows(recordings / "noise.csv"):
        if row["category"] in SOUNDS_OF and row.get("source") not in config.noise.without_sources:
            clips.append((SOUNDS_OF[row["category"]], recordings / row["path"]))
    found = []
    for kind, path in clips:
        wave, rate_hz = read_mono(path)
        wave = wave[shaping.onset_sample(wave, rate_hz) : shaping.sounding_end(wave, rate_hz, 25.0)]
        found.append(NoiseClip(kind, shaping.retune(wave, rate_hz / RATE_HZ), str(path)))
    rng = np.random.default_rng([seed, 9])
    makers = {"puff": puff, "lead-breath": VARIED["breath"], "key-sound": VARIED["mechanism"], "bow-sound": bowing}
    found += [NoiseClip(kind, make(RATE_HZ, rng), "invented") for kind, make in makers.items() for _ in range(MADE)]
    return [clip for clip in found if len(clip.waveform) > LEAST_SAMPLES]


def train_once(
    config: NoiseTrainingConfig,
    pool: Pool,
    clips: tuple[list[NoiseClip], list[NoiseClip], list[NoiseClip]],
    without: Collection[str],
    log: Log,
) -> tuple[NoiseNetwork, dict[str, object]]:
    """Train and validate one network on noises, others to validate, and natural sounds; return it and its card."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(config.seed)
    split = split_parts(pool, without)
    network = NoiseNetwork(NoiseNetworkShape(**config.network.model_dump())).to(device)
    samples = torch.from_numpy(pool.samples).to(device)
    noises, others, sounds = clips
    held = NoiseRenderer(pool, samples, others, sounds, config.stage, config.seed + 1)
    validation = NoiseValidation(held, split[1], config)
    renderer = NoiseRenderer(pool, samples, noises, sounds, config.stage, config.seed)
    began = time.monotonic()
    average, steps = fit(network, renderer, split[0], config, log, validation)
    scores = validation(average)
    log(scores, steps)
    run: dict[str, object] = {"without": list(without), "steps": steps, "kinds": list(NOISES), "scores": scores}
    run["minutes"] = round((time.monotonic() - began) / 60, 1)
    return average, training_card("python -m training.noise_training", config, pool, split, len(noises), average, run)


def clips_of(
    config: NoiseTrainingConfig, recordings: Path, public: Sequence[Recording]
) -> tuple[list[NoiseClip], list[NoiseClip], list[NoiseClip]]:
    """Return noises to train on, others to validate on, and natural sounds of playing."""
    held_out = [quarter for quarter in (0, 1, 2, 3) if quarter not in config.noise.quarters]
    noises = noise_clips(config, recordings, config.noise.quarters, config.seed, NOISES, VARIED)
    noises += [
        NoiseClip(AS_NOISE[one.kind], one.waveform, one.source)
        for one in natural_sounds(config, recordings, public, config.seed)
        if one.kind in AS_NOISE and one.source != "invented"
    ]
    others = noise_clips(config, recordings, held_out, config.seed + 1, NOISES, VARIED)
    return noises, others, natural_sounds(config, recordings, public, config.seed)


def main(
    recordings: Recordings,
    public: Annotated[Path | None, typer.Option(help="Folder of the public collections' checkouts")] = None,
    banks: Banks = None,
    config_file: ConfigFile = None,
    out: Out = Path(SHIPPED),
    without: Without = None,
    quarter: Quarter = None,
    steps: Steps = 0,
    minutes: Minutes = 0.0,
    pool_file: PoolFile = None,
) -> None:
    """Train a noise network and write its weights and card; MLFLOW_TRACKING_URI says where the run is tracked."""
    config = read_toml(config_file or shipped("configs/noise_training.toml"), NoiseTrainingConfig)
    config, left_out = with_options(config, quarter, steps, minutes), tuple(without or ())
    known = read_public(public, for_testing=False)[0] if public else []
    pool, settings = cached_pool(config, recordings, banks, pool_file, known), {"without": " ".join(left_out)}
    clips = clips_of(config, recordings, known)
    tracked_run(
        "noises", config, out, settings, lambda log: train_once(config, pool, clips, left_out, log), save_detector
    )


if __name__ == "__main__":
    typer.run(main)
