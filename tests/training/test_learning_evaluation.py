"""The learning curve's own measures against published values, and the producer who gives the verdicts."""

import numpy as np
import pytest

from tests.training.synthetic_sessions import made_session
from training.learning_evaluation import by_chance
from training.scores import brier, calibration_error
from training.simulated_producer import give_verdicts
from triage.ranking.note_table import note_table


def test_the_calibration_error_of_the_worked_example():
    # Twelve outcomes, five equal-width bins: 0.175, computed by hand from the definition.
    outcomes = np.array([0, 0, 0, 0, 1, 0, 1, 1, 1, 1, 1, 0])
    predicted = np.array([0.05, 0.15, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 0.95])
    assert calibration_error(outcomes, predicted, bins=5) == pytest.approx(0.175)
    assert brier(outcomes, predicted) == pytest.approx(0.170833, abs=1e-6)


def test_a_doubt_that_is_a_frequency_has_no_calibration_error():
    rng = np.random.default_rng(1)
    doubt = rng.random(200_000)
    assert calibration_error(rng.random(200_000) < doubt, doubt) < 0.006


def test_few_takes_show_a_calibration_error_by_chance_alone():
    doubts = np.random.default_rng(6).beta(0.5, 2.0, 150)
    assert 0.02 < by_chance(doubts) < 0.08
    assert by_chance(np.repeat(doubts, 100)) < 0.01


def test_the_producers_verdicts_are_the_truth_but_for_label_noise():
    takes, _ = made_session(4, takes=200)
    table = note_table(takes)
    truth = {
        take.name: {
            "fault": {"kind": "length", "note": 3} if i % 4 == 0 else None,
            "notes": [{"note": n.number, "onset_s": n.start_s + 0.01} for n in take.notes],
        }
        for i, take in enumerate(takes)
    }
    predicted = give_verdicts(list(truth), truth, table, 0.05, 0.8, np.random.default_rng(2))
    wrong = [one for one in predicted if (one.verdict == "reject") != bool(truth[one.take]["fault"])]
    assert len(predicted) == 200 and 3 <= len(wrong) <= 20
    named = [one for one in predicted if one.note is not None]
    assert {(one.note, one.reason) for one in named} == {(3, "length")} and 30 <= len(named) <= 50
