"""Scenes with noises: the truth is what was planted, and how audible it is."""

from dataclasses import replace

import numpy as np
import pytest

from training import note_editing as shaping
from training.demo_session import DemoRecipe, invented_stage
from training.noise_scenes import SceneRecipe, make_scene
from training.noises import InventedNoise
from training.synthetic_noises import MAKERS
from triage.config import read_toml, shipped
from triage.domain.kinds import NOISES

RATE_HZ = 48_000
CONFIG = SceneRecipe(
    recipe="configs/evaluation.toml",
    seed=1,
    scenes=1,
    instruments=("invented",),
    noise_half="first",
    made=1.0,
    rt60_s=(0.4, 0.5),
    in_gap=1.0,
    under_note=0.5,
    over_floor_db=(30.0, 31.0),
    most_notes=3,
)


def scene(config=CONFIG, seed=1):
    recipe = read_toml(shipped("configs/demo.toml"), DemoRecipe)
    plans, stage = invented_stage(recipe, 3)
    stage = replace(stage, noise=InventedNoise(RATE_HZ, MAKERS))
    plan = next(plan for plan in plans if plan.articulation == "sustain")
    return make_scene(plan, stage, config, np.random.default_rng(seed)), stage


@pytest.mark.parametrize("kind", MAKERS)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_synthetic_noise_is_short_finite_and_of_a_known_kind(kind, rate_hz):
    wave = MAKERS[kind](rate_hz, np.random.default_rng(5))
    assert kind in NOISES
    assert np.isfinite(wave).all() and np.abs(wave).max() > 0
    assert 0.01 < len(wave) / rate_hz < 2.5


def test_kinds_lie_where_they_belong_in_the_spectrum():
    rng = np.random.default_rng(2)
    centre = {kind: shaping.centroid_hz(MAKERS[kind](RATE_HZ, rng), RATE_HZ) for kind in ("rumble", "hiss", "click")}
    assert centre["rumble"] < 80 and centre["hiss"] > 2500 and centre["click"] > 1000


def test_noises_lie_in_gaps_and_under_notes_and_are_exposed_in_gaps():
    one, _ = scene()
    assert {noise.where for noise in one.planted} <= {"gap", "held"}
    gaps = [noise for noise in one.planted if noise.where == "gap"]
    assert len(gaps) >= 2
    for noise in gaps:
        assert noise.exposed > 0.5 and noise.over_floor_db > 10.0
        assert all(not on - 0.05 < noise.start_s < off for on, off in one.notes_s)


def test_the_nearest_microphone_is_the_one_that_it_reaches_first():
    one, _ = scene()
    for noise in one.planted:
        assert one.mics[int(np.argmin(noise.starts_s))] == noise.nearest
        assert noise.start_s == pytest.approx(min(noise.starts_s))


def test_masked_controls_are_hardly_exposed():
    one, _ = scene(CONFIG.model_copy(update={"in_gap": 0.0, "under_note": 0.0, "masked": 1.0}))
    assert {noise.where for noise in one.planted} == {"masked"}
    assert np.median([noise.exposed for noise in one.planted]) < 0.5


def test_the_same_seed_gives_the_same_scene():
    first, second = scene()[0], scene()[0]
    assert (first.tracks == second.tracks).all() and first.planted == second.planted
    assert scene(CONFIG.model_copy(update={"in_gap": 0.0, "under_note": 0.0}))[0].planted == ()
