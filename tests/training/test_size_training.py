"""Training on sizes: how batches are laid out, what the losses reward, and what the bench tells apart."""

import numpy as np
import pytest
import torch

from training.dry_notes import DryNotes, from_voices, joined
from training.encoder_bench import BenchRecipe, probe_scores
from training.planted_sizes import INDEX, NAMES
from training.pool import KINDS, RATE_HZ
from training.size_batches import draw_batch, part_weights
from training.size_losses import SizeLosses
from training.size_training import SizeTrainingConfig
from triage.config import read_toml, shipped


@pytest.fixture(scope="module")
def config() -> SizeTrainingConfig:
    config = read_toml(shipped("configs/sizes.toml"), SizeTrainingConfig)
    notes = config.notes.model_copy(update={"voices": 2, "pitches": 3, "repetitions": 2})
    stage = config.stage.model_copy(update={"episodes": 6, "spoilt": (0.3, 0.6)})
    return config.model_copy(update={"notes": notes, "stage": stage})


@pytest.fixture(scope="module")
def dry(config: SizeTrainingConfig) -> DryNotes:
    return joined(from_voices(config.notes, 3))


def test_a_batch_holds_takes_of_one_part_whose_notes_do_not_overlap(
    config: SizeTrainingConfig, dry: DryNotes
) -> None:
    weight = part_weights(dry.parts, config.stage)
    batch = draw_batch(dry, weight, config.stage, config.sizes, np.random.default_rng(2))
    plan, pool = batch.plan, batch.pool
    assert set(plan.row) == set(range(18))
    for episode in range(6):
        assert len(set(pool.part[plan.row // 3 == episode])) == 1
    same_row = plan.row[1:] == plan.row[:-1]
    free = (plan.at[1:] - plan.at[:-1] - pool.end[:-1])[same_row]
    assert (free > 0.015 * RATE_HZ).all()
    sure = np.abs(batch.plants.size[np.arange(len(plan.at)), batch.plants.main]) >= config.sizes.sure
    assert not plan.usable[(batch.plants.main >= 0) & ~sure].any()  # small faults are neither good nor bad


def test_part_weights_share_each_source_by_instrument(config: SizeTrainingConfig) -> None:
    parts = np.array(["tuba/a/p", "tuba/b/p", "cello/a/p", "bank Flute/held", "voice 1/a/p"])
    weight = part_weights(parts, config.stage)
    assert weight == pytest.approx([0.125, 0.125, 0.25, 0.2, 0.3])


def test_equal_faults_in_equal_directions_are_alike_and_others_are_not() -> None:
    torch.manual_seed(1)
    losses = SizeLosses(8)
    size = torch.zeros(2, 30, len(NAMES))
    size[:, ::3, INDEX["tone"]] = 4.0
    away = losses.expected.weight[:, INDEX["tone"]] + losses.expected.weight[:, len(NAMES) + INDEX["tone"]]
    weight, used = torch.ones(2, 30), torch.ones(2, 30, dtype=torch.bool)
    direction = 4.0 * away.detach() * (size[..., INDEX["tone"], None] > 0)
    difference = direction - direction.mean(dim=1, keepdim=True)
    exact = losses._alike(difference * 30 / 29, size, weight, used)
    assert exact < 1e-6
    noise = torch.randn_like(difference) * difference.std()
    assert losses._alike(difference + noise, size, weight, used) > 0.3


def test_sizes_told_exactly_miss_nothing_and_silence_misses_all() -> None:
    wanted = 3 * torch.randn(2, 40, len(NAMES))
    known = torch.ones_like(wanted, dtype=torch.bool)
    assert SizeLosses._sizes(wanted.clamp(-10, 10), wanted, known) == 0
    assert SizeLosses._sizes(torch.zeros_like(wanted), wanted, known) == pytest.approx(1.0, abs=0.01)


def test_the_bench_finds_what_vectors_hold_and_nothing_else() -> None:
    recipe = read_toml(shipped("configs/encoder_bench.toml"), BenchRecipe)
    rng, count = np.random.default_rng(4), 900
    level = np.where(rng.random(count) < 0.3, rng.uniform(3, 8, count) * rng.choice([-1, 1], count), 0.0)
    view = np.arange(count) % 2
    columns = {
        "instrument": np.repeat(["a", "b", "c"], count // 3),
        "kind": np.where(level != 0, KINDS.index("level"), 0),
        "labelled": np.ones(count, bool),
        "pitch": np.full(count, 60),
        "take": np.arange(count) // 2,
        "view": view,
        "cohort": 2 * (np.arange(count) // 30) + view,
        "fault": np.where(level != 0, "level-step", ""),
        "size": level,
    }
    vectors = rng.standard_normal((count, 6)).astype(np.float32)
    blind = probe_scores(columns, vectors, recipe)
    vectors[:, 2] += 2 * level
    seeing = probe_scores(columns, vectors, recipe)
    assert seeing["r2/level"] > 0.9
    assert seeing["auroc/level"] > 0.95
    assert blind["r2/level"] < 0.1
    assert 0.4 < blind["auroc/level"] < 0.6
