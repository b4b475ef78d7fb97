"""Evaluation: what is printed is what was ranked."""

import numpy as np
import pytest
from typer.testing import CliRunner

from training.baselines import gaussian_mixture, isolation_forest, level_only, pooled_logmel, pooled_mfcc
from training.evaluate import HoldoutConfig, app, probe_orders, session_specs
from training.ranked_sessions import TOOL, Ranked, printed, report
from training.technical_faults import MISHAPS
from triage.config import read_toml, shipped


def ranked(seed):
    """Ten takes, two spoilt; the tool puts them first, the other ranking last."""
    rejected = np.zeros(10, bool)
    rejected[[2, 7]] = True
    good = np.where(rejected, 0.9, 0.05) + 0.001 * np.arange(10)
    kind = [None] * 10
    kind[2], kind[7] = "level", "noise"
    scores = {TOOL: good, "backwards": -good}
    return Ranked(rejected, kind, np.full(10, 0.5), scores, [True, False], np.array([1.0, -3.0, 2.0]), (9, 10, 10))


def test_a_perfect_ranking_is_printed_as_one():
    found = report([ranked(0), ranked(1)])
    assert found["table"][TOOL]["auroc"] == (1.0, 0.0)
    assert found["table"]["backwards"]["auroc"] == (0.0, 0.0)
    assert found["table"][TOOL]["recall_30_minutes"][0] == 1.0
    # computed: both rejects found after 2 of 10 takes, 0.8 - 0.05
    assert found["table"][TOOL]["wss_95"][0] == pytest.approx(0.75)
    assert found["mean_place"] == {"level": pytest.approx(0.2), "noise": pytest.approx(0.1)}
    assert (found["reason_right"], found["onset_median_ms"], found["onset_f"]) == (0.5, 2.0, 0.9)
    text = printed(found)
    assert "| take triage | 1.000 ± 0.000 |" in text and "4 of them spoilt" in text


def test_the_held_back_recipe_is_not_the_one_tuned_on():
    config = read_toml(shipped("configs/holdout.toml"), HoldoutConfig)
    assert config.instruments == ("alto-saxophone",) and config.noise_half == "second"
    built = session_specs(config) + probe_orders(config, config.probe)
    assert all(order.instruments == ("alto-saxophone",) and order.half == "second" for order in built)
    assert len({order.seed for order in built}) == len(built)


def test_what_is_developed_on_never_meets_the_held_back_instrument_or_clips():
    config = read_toml(shipped("configs/development.toml"), HoldoutConfig)
    built = session_specs(config) + probe_orders(config, config.probe)
    assert {(order.instruments, order.half) for order in built} == {
        (("tuba",), "first-a"),
        (("double-bass",), "first-b"),
    }
    assert not any(set(order.weights) & set(MISHAPS) for order in probe_orders(config, config.probe))


def test_the_folder_is_asked_for_and_the_ablation_is_a_command_of_its_own():
    assert CliRunner().invoke(app, []).exit_code == 2
    assert "--encoders" in CliRunner().invoke(app, ["ablation", "--help"], env={"COLUMNS": "120"}).output


@pytest.mark.parametrize("score", [isolation_forest, gaussian_mixture])
def test_a_baseline_puts_a_far_take_first(score):
    vectors = np.random.default_rng(0).normal(size=(30, 8))
    vectors[11] += 9.0
    assert score(vectors, 0).argmax() == 11


def test_the_level_baseline_is_the_distance_from_the_cohorts_median():
    levels, cohort = np.array([-20.0, -21.0, -27.0, -40.0, -41.0]), np.array(list("aaabb"))
    np.testing.assert_allclose(level_only(levels, cohort), [1.0, 0.0, 6.0, 0.5, 0.5])


def test_pooling_keeps_mean_and_spread():
    frames = np.tile([[0.0], [10.0]], (1, 4)) + np.array([[0.0, 2.0, 0.0, 2.0]])
    np.testing.assert_allclose(pooled_logmel(frames), [1.0, 11.0, 1.0, 1.0])
    assert pooled_mfcc(np.random.default_rng(0).normal(size=(80, 50))).shape == (40,)
