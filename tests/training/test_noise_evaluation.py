"""Counting what was found: collars, what is false, F1 by hand; baselines on a planted burst; planted clicks."""

import numpy as np
import pytest
import soundfile

from tests.listen.sounds import RATE_HZ, floor, take, tone
from tests.training.public_folder import write_public
from training.noise_baselines import BASELINES, events
from training.noise_evaluation import THRESHOLDS, Detection, EvaluationConfig, match, score
from training.noise_report import Tally, added, f1, printed, report
from training.noise_sessions import TrialRecipe, built_trial
from training.noise_training import NoiseTrainingConfig
from training.noise_truth import PlantedNoise
from training.planted_clicks import Clicks, count_clicks, residual_rms
from training.public_recordings import FAMILIES, TESTING_FAMILIES, TESTING_INSTRUMENTS, read_public
from triage.config import read_toml, shipped
from triage.listen.logmel import LogMel


def noise(start_s, exposed=0.9, over_floor_db=30.0):
    return PlantedNoise("knock", start_s, start_s + 0.2, "gap", "close", (start_s,), exposed, over_floor_db)


def found(*starts_s):
    return [Detection(start_s, start_s + 0.2) for start_s in starts_s]


def test_the_nearest_start_within_the_collar_is_taken_and_each_once():
    assert match([noise(1.0), noise(1.1)], found(1.08, 1.2, 5.0), 0.15) == [(1, 0)]
    assert match([noise(1.0), noise(1.1)], found(1.02, 1.2, 5.0), 0.15) == [(0, 0), (1, 1)]
    assert match([noise(1.0)], found(1.151), 0.15) == []


def test_what_nobody_hears_is_neither_right_nor_wrong():
    planted = [noise(1.0), noise(3.0, exposed=0.2), noise(5.0, over_floor_db=12.0)]
    good, loud, false, _ = score(planted, found(1.05, 3.02, 5.1, 8.0), 0.15)
    assert (good, loud, false) == (2, 1, [3])


def test_f1_is_that_of_the_definition():
    # precision 8 / 10, recall 8 / 16: 2 * 0.8 * 0.5 / 1.3
    assert f1(8, 2, 16) == pytest.approx(2 * 0.8 * 0.5 / 1.3)
    assert np.isnan(f1(0, 0, 0))


def test_counts_of_sessions_add_up_and_the_report_prints():
    one = Tally(minutes=2.0, true_loud=1, true_all=2, near=[True, False], kinds=[("knock", "knock")], masked=2)
    for name in ("take triage", *(f"{base}/1" for base in BASELINES)):
        one.hit_all[name], one.hit_loud[name], one.false[name], one.false_loud[name] = 1, 1, 1, 0
    both = added([one, one])
    assert (both.minutes, both.true_all, both.false["take triage"], len(both.near)) == (4.0, 4, 2, 4)
    whole = report([one, one], [one])
    assert whole["table"]["take triage"]["f1_all"] == pytest.approx(0.5)
    assert whole["nearest_right"] == 0.5
    assert "| take triage | 1.000 | 0.667 | 0.500 ± 0.000 |" in printed(whole)


@pytest.mark.parametrize("name", BASELINES)
def test_every_baseline_hears_a_loud_burst_at_some_threshold(name):
    wave = floor(6.0)
    wave[3 * RATE_HZ : 3 * RATE_HZ + 4800] += floor(0.1, level_db=-30.0, seed=8)
    transform = LogMel(RATE_HZ)
    scores = BASELINES[name](transform(wave[None])[0], transform.band_hz())[None]
    low, high = THRESHOLDS[name]
    found = [events(scores, threshold) for threshold in np.linspace(low, high, 24)]
    assert any(len(one) == 1 and abs(one[0][0] * 0.01 - 3.0) < 0.1 for one in found)


def test_the_residual_of_white_noise_is_the_noise():
    # known answer: nothing of it can be predicted; 32 coefficients fitted to 2048 samples take 2 % of it
    assert residual_rms(floor(2048 / RATE_HZ, level_db=-40.0)) == pytest.approx(0.01, rel=0.06)


def test_clicks_20_db_over_the_residual_are_found_in_a_plain_take():
    tracks = np.stack([take([(0.5, tone(220.0, 1.5)), (2.5, tone(247.0, 1.5))], 5.0, seed=k) for k in range(2)])
    clicks = count_clicks(tracks, RATE_HZ, 6, np.random.default_rng(1))
    assert (clicks.planted, clicks.false) == (12, 0)
    assert clicks.found >= 11
    assert (clicks + Clicks(1, 1, 1, 1.0)).planted == 13


@pytest.mark.parametrize("name", ["evaluation", "development"])
def test_the_recipes_can_be_read(name):
    config = read_toml(shipped(f"configs/noise_{name}.toml"), EvaluationConfig)
    assert config.collar_s == 0.15
    met = {"minetest_game", "sonic-pi-samples"}  # whole sources that are kept for the test
    if name == "evaluation":
        assert config.trial is not None and set(config.trial.sources) == met and config.sessions >= 16
    else:
        assert config.trial is None and config.noisy is not None
        assert met == set(config.noisy.without_sources) and "alto-saxophone" not in config.noisy.instruments


def test_training_meets_no_source_and_no_instrument_of_the_test():
    training = read_toml(shipped("configs/noise_training.toml"), NoiseTrainingConfig)
    evaluation = read_toml(shipped("configs/noise_evaluation.toml"), EvaluationConfig)
    assert evaluation.trial is not None
    assert set(evaluation.trial.sources) <= set(training.noise.without_sources)
    assert not set(training.pool.public) & {name for name in FAMILIES if FAMILIES[name] in TESTING_FAMILIES}
    assert not {*training.pool.public, *training.pool.instruments} & TESTING_INSTRUMENTS


def test_a_hit_that_shares_half_of_its_time_is_the_same_noise_however_it_begins():
    slow = PlantedNoise("creak", 1.0, 1.8, "gap", "close", (1.0,), 0.9, 30.0)
    assert match([slow], [Detection(1.3, 1.8)], 0.15) == [(0, 0)]
    assert match([slow], [Detection(1.6, 2.6)], 0.15) == []


def test_scenes_of_the_test_generator_hold_the_truth(tmp_path):
    public = read_public(write_public(tmp_path / "public"), for_testing=True)[0]
    (tmp_path / "audio").mkdir()
    rows = "path,category,sample_rate,duration_s,source\nknock.wav,door,48000,0.3,minetest_game\n"
    (tmp_path / "audio" / "noise.csv").write_text(rows)
    soundfile.write(tmp_path / "audio" / "knock.wav", floor(0.3, level_db=-20.0), RATE_HZ)
    (tmp_path / "session").mkdir()
    recipe = TrialRecipe(seed=1, sources=("minetest_game",), over_floor_db=(30.0, 31.0))
    scenes = list(built_trial(recipe, 3, tmp_path / "audio", public, tmp_path / "session", 0, True))
    planted = [noise for _, scene in scenes for noise in scene.planted]
    assert len(scenes) == 3 and planted and all(scene.playing for _, scene in scenes)
    for noise in planted:
        # known answer: the noise reaches the nearest microphone first, and starts there
        assert noise.start_s == min(noise.starts_s) and noise.end_s > noise.start_s
    assert max(noise.exposed for noise in planted if noise.where == "gap") > 0.8
