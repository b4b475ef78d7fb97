"""The noise network's batches and training: targets are what was planted; a run of a few steps leaves a file."""

import json

import numpy as np
import pytest
import torch

from training import noise_training
from training.network_training import noise_clips
from training.noise_batches import NoiseRenderer
from training.noise_training import NoiseTrainingConfig, clips_of, losses_of, natural_sounds, plan_batch
from training.pool import build_pool
from training.synthetic_noises import MAKERS
from triage.config import read_toml, shipped
from triage.domain.kinds import NATURAL, NOISES
from triage.listen.noise_network import STEP_S, NoiseNetwork, NoiseNetworkShape, NoisePrediction, load_detector


@pytest.fixture(scope="module")
def config():
    whole = read_toml(shipped("configs/noise_training.toml"), NoiseTrainingConfig)
    voices = whole.pool.invented.model_copy(update={"voices": 2, "held": 1, "pitches": 2})
    few = whole.pool.model_copy(update={"instruments": ("horn",), "invented": voices})
    return whole.model_copy(
        update={
            "pool": few,
            "noise": whole.noise.model_copy(update={"invented": 24, "quarters": (0, 1, 2, 3)}),
            "stage": whole.stage.model_copy(
                update={
                    "take_s": 5.0,
                    "rooms": 4,
                    "quiet": 0.0,
                    "rt60_s": (0.3, 0.6),
                    "over_floor_db": (40.0, 41.0),
                    "under_note": 0.0,
                }
            ),
            "network": noise_training.NoiseNetworkShapeConfig(
                width=16, blocks=2, kernel=7, widening=2, told=8, joint=16
            ),
            "train": whole.train.model_copy(
                update={
                    "rows": 4,
                    "mics": (2,),
                    "steps": 3,
                    "validate_every": 2,
                    "validation_batches": 1,
                    "remembered": 2,
                    "replays": 1,
                }
            ),
        }
    )


@pytest.fixture(scope="module")
def renderer(config, stand_ins):
    pool = build_pool(config.pool, stand_ins, None, 1)
    clips = noise_clips(config, stand_ins, (0, 1, 2, 3), 5, NOISES, MAKERS)
    sounds = natural_sounds(config, stand_ins, (), 6)
    return NoiseRenderer(pool, torch.from_numpy(pool.samples), clips, sounds, config.stage, 3)


@pytest.fixture(scope="module")
def batch(config, renderer):
    mics, takes = plan_batch(config, renderer.pool, [0, 1], 1)
    return renderer.render(takes, mics, 7)


def test_what_is_planted_loudly_is_audible(batch):
    assert batch.frames.shape[:2] == batch.present.shape[:2] == (2, 2)
    assert batch.any.max() == 1.0
    assert (batch.present.amax(dim=1) == batch.any).all()
    assert batch.audible[batch.present > 0].median() > 4.0
    assert batch.audible[:, :, 0].max() < 1.0  # nothing sounds before the first noise
    assert set(batch.kind[batch.any > 0].tolist()) <= set(range(len(NOISES)))


def test_natural_sounds_lie_near_notes_and_are_no_noise(config, renderer):
    loud = renderer.recipe.model_copy(update={"natural": 1.0, "natural_db": dict.fromkeys(NATURAL, (-6.0, -5.0))})
    usual, renderer.recipe = renderer.recipe, loud
    mics, takes = plan_batch(config, renderer.pool, [0, 1], 3)
    found = renderer.render(takes, mics, 9)
    renderer.recipe = usual
    assert found.natural.max() == 1.0
    assert set(found.sound[found.natural > 0].tolist()) <= set(range(len(NATURAL)))
    first = takes.at[takes.row == 0].min() / 48_000
    heard_s = torch.nonzero(found.natural[0])[:, 0] * STEP_S
    assert len(heard_s) == 0 or heard_s.min() > first - 1.0


def test_notes_are_marked_near_their_onsets(config, renderer):
    mics, takes = plan_batch(config, renderer.pool, [0, 1], 2)
    found = renderer.render(takes, mics, 8).marks[:, 0]
    first_s = takes.at[takes.row == 0].min() / 48_000
    assert abs(float(torch.nonzero(found[0])[0, 0]) * STEP_S / 2 - first_s) < 0.2


def test_another_mel_axis_keeps_the_targets(renderer, batch):
    augmented = renderer.augment(batch)
    assert augmented.frames.shape == batch.frames.shape and not torch.equal(augmented.frames, batch.frames)
    assert augmented.present is batch.present


def test_right_predictions_have_lower_losses(batch):
    sure = 8.0 * (2 * batch.any - 1)
    kinds = torch.nn.functional.one_hot(batch.kind, len(NOISES)).transpose(1, 2).float() * 5
    sounds = torch.nn.functional.one_hot(batch.sound, len(NATURAL)).transpose(1, 2).float() * 5
    natural, there = 8.0 * (2 * batch.natural - 1), 8.0 * (2 * batch.present - 1)
    right = NoisePrediction(sure, kinds, there, batch.audible.clamp(max=40.0) / 10, natural, sounds)
    wrong = NoisePrediction(-sure, -kinds, -there, right.audible + 2.0, -natural, -sounds)
    good, bad = losses_of(right, batch), losses_of(wrong, batch)
    assert all(good[name] < bad[name] for name in good)


def test_a_run_of_a_few_steps_leaves_weights_and_a_card(config, renderer, stand_ins, tmp_path):
    pool, lines = renderer.pool, []
    clips = clips_of(config, stand_ins, ())
    network, card = noise_training.train_once(config, pool, clips, (), lambda values, step: lines.append(values))
    name = noise_training.save_detector(network, tmp_path / "own.safetensors", card)
    card = json.loads((tmp_path / "own.json").read_text())
    assert load_detector(tmp_path / "own.safetensors").name == name == card["name"]
    assert card["steps"] == 2 and 0 <= card["scores"]["val/auroc"] <= 1
    assert any("train/any" in values for values in lines)
    assert np.isfinite([v for values in lines for k, v in values.items() if k.startswith("train/")]).all()
    assert isinstance(network, NoiseNetwork) and network.shape == NoiseNetworkShape(**config.network.model_dump())
