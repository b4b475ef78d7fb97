"""Measures of a ranking against the worked example and slow, literal twins."""

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, roc_auc_score

from training import scores
from triage.domain.errors import JudgeError

PLACES = (0, 1, 2, 4, 5, 8, 9, 13, 19, 39)


@pytest.fixture
def example() -> tuple[np.ndarray, np.ndarray]:
    """100 takes in ranked order, rejects at the places of the worked example (computed by hand)."""
    rejected = np.zeros(100)
    rejected[list(PLACES)] = 1
    return rejected, np.linspace(1, 0, 100)


def test_the_worked_example(example: tuple[np.ndarray, np.ndarray]) -> None:
    # 10 of 10 rejects are needed (ceil 9.5), the last at take 40: 0.60 - 0.05. Cohen et al. 2006.
    assert scores.work_saved(*example) == pytest.approx(0.55)
    assert scores.recall_at(*example, 0.1) == pytest.approx(0.7)
    assert scores.recall_at(*example, 0.2) == pytest.approx(0.9)
    assert scores.time_to_discovery(*example) == pytest.approx(0.11)


def test_the_order_of_the_list_does_not_matter(example: tuple[np.ndarray, np.ndarray]) -> None:
    shuffle = np.random.default_rng(3).permutation(100)
    rejected, doubt = example[0][shuffle], example[1][shuffle]
    minutes = np.ones(100)
    assert scores.all_scores(rejected, doubt, minutes) == pytest.approx(scores.all_scores(*example, minutes))


def test_minutes_replace_ranks(example: tuple[np.ndarray, np.ndarray]) -> None:
    rejected, doubt = example
    minutes = np.where(np.arange(100) < 10, 1.0, 0.1)  # 19 minutes in all, the first ten takes are long
    assert scores.recall_at_listening(rejected, doubt, minutes, 0.5) == pytest.approx(0.6)  # 9.5 min: 9 takes
    expected = np.mean([np.cumsum(minutes)[place] / 19 for place in PLACES])
    assert scores.time_to_discovery(rejected, doubt, minutes) == pytest.approx(expected)


def test_equal_lengths_give_the_plain_measures(example: tuple[np.ndarray, np.ndarray]) -> None:
    minutes = np.full(100, 0.4)
    assert scores.recall_at_listening(*example, minutes, 0.1) == scores.recall_at(*example, 0.1)
    assert scores.time_to_discovery(*example, minutes) == pytest.approx(scores.time_to_discovery(*example))


def test_auroc_and_average_precision_equal_their_definitions(example: tuple[np.ndarray, np.ndarray]) -> None:
    rejected, doubt = example
    bad, good = doubt[rejected == 1], doubt[rejected == 0]
    assert scores.auroc(rejected, doubt) == pytest.approx(np.mean(bad[:, None] > good[None, :]))
    precision = [(index + 1) / (place + 1) for index, place in enumerate(PLACES)]
    assert scores.average_precision(rejected, doubt) == pytest.approx(np.mean(precision))


def test_random_order_saves_no_work() -> None:
    rng = np.random.default_rng(1)
    rejected = np.arange(2000) % 10 == 0
    saved = [scores.work_saved(rejected, rng.random(2000)) for _ in range(300)]
    # Computed: the 190th of 200 stands on average at place 190 * 2001 / 201; standard error 0.001.
    assert np.mean(saved) == pytest.approx(1 - 190 * 2001 / 201 / 2000 - 0.05, abs=0.004)


def test_equal_doubts_keep_their_order() -> None:
    assert scores.recall_at([1, 0, 0, 0], [0.5] * 4, 0.25) == 1
    assert scores.recall_at([0, 0, 0, 1], [0.5] * 4, 0.25) == 0


def test_mean_place_is_by_kind() -> None:
    places = scores.mean_place(["length", None, "length", "tone"], [0.9, 0.8, 0.7, 0.1])
    assert places == pytest.approx({"length": (0.25 + 0.75) / 2, "tone": 1.0})


@pytest.mark.parametrize(
    ("rejected", "doubt", "words"),
    [([0, 0], [0.1, 0.2], "without one"), ([1, 0], [0.1], "one length"), ([1, 0], [0.1, np.nan], "finite")],
)
def test_what_cannot_be_scored_is_said(rejected: list[int], doubt: list[float], words: str) -> None:
    with pytest.raises(JudgeError, match=words):
        scores.work_saved(rejected, doubt)


def test_lengths_of_zero_are_refused() -> None:
    with pytest.raises(JudgeError, match="above 0"):
        scores.recall_at_listening([1, 0], [0.2, 0.1], [0.0, 1.0], 0.5)


def test_the_published_examples_of_ranking_and_of_probabilities():
    # scikit-learn's own worked example (AUC 0.75, AP 0.8333), and the Brier score of four outcomes (0.0375).
    assert scores.auroc([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8]) == pytest.approx(0.75)
    assert scores.average_precision([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8]) == pytest.approx(0.8333, abs=5e-5)
    assert scores.brier([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]) == pytest.approx(0.0375)


def test_rankings_and_probabilities_agree_with_scikit_learn():
    rng = np.random.default_rng(8)
    for _ in range(20):
        doubt = np.round(0.98 * rng.random(80), 2) + 0.001  # with ties, none of them on the edge of a bin
        rejected = rng.random(80) < doubt
        assert scores.auroc(rejected, doubt) == pytest.approx(roc_auc_score(rejected, doubt), abs=1e-12)
        assert scores.brier(rejected, doubt) == pytest.approx(brier_score_loss(rejected, doubt), abs=1e-12)
        true, predicted = calibration_curve(rejected, doubt, n_bins=10)
        share = np.histogram(doubt, np.linspace(0, 1, 11))[0]
        expected = (share[share > 0] / 80 * np.abs(true - predicted)).sum()
        assert scores.calibration_error(rejected, doubt) == pytest.approx(expected, abs=1e-12)
