"""Agreement between people against published worked examples and scikit-learn."""

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from triage.domain.errors import JudgeError
from triage.judge.agreement import cohen_kappa


def labels_of(table):
    """Two people's words from a table of counts (row: what the first labels_of)."""
    pairs = [(a, b) for a, row in enumerate(table) for b, count in enumerate(row) for _ in range(count)]
    return [a for a, _ in pairs], [b for _, b in pairs]


def test_the_textbook_table_gives_its_kappa_and_interval():
    # 20, 5 / 10, 15: kappa 0.40, standard error 0.1270, 95 % 0.151 to 0.649 (statsmodels' figures: another
    # implementation of Fleiss, Cohen and Everitt 1969).
    found = cohen_kappa(*labels_of([[20, 5], [10, 15]]))
    assert found.kappa == pytest.approx(0.40, abs=1e-9)
    assert (found.low, found.high) == pytest.approx((0.151, 0.649), abs=5e-4)
    assert (found.agreed, found.n) == (0.70, 50)


@pytest.mark.parametrize("table, kappa", [([[45, 15], [25, 15]], 0.1304), ([[25, 35], [5, 35]], 0.2593)])
def test_equal_raw_agreement_can_be_different_kappa(table, kappa):
    # Worked example of equal agreement (0.60) and different marginals: computed from the formula.
    found = cohen_kappa(*labels_of(table))
    assert found.kappa == pytest.approx(kappa, abs=5e-5)
    assert found.agreed == pytest.approx(0.60)


def test_kappa_agrees_with_scikit_learn_on_random_labels():
    rng = np.random.default_rng(2)
    for _ in range(20):
        a = rng.choice(["accept", "reject", "unsure"], 60)
        b = np.where(rng.random(60) < 0.5, a, rng.choice(["accept", "reject", "unsure"], 60))
        assert cohen_kappa(list(a), list(b)).kappa == pytest.approx(cohen_kappa_score(a, b), abs=1e-12)


def test_the_interval_covers_the_true_kappa_at_its_nominal_rate():
    rng, inside = np.random.default_rng(3), 0
    truth = np.array([[0.5, 0.1], [0.1, 0.3]])  # kappa = (0.8 - 0.52) / 0.48
    for _ in range(400):
        found = cohen_kappa(*labels_of(rng.multinomial(120, truth.ravel()).reshape(2, 2)))
        inside += found.low <= 0.28 / 0.48 <= found.high
    assert 0.92 <= inside / 400 <= 0.98


def test_where_both_give_one_label_throughout_there_is_no_kappa():
    found = cohen_kappa(["accept"] * 5, ["accept"] * 5)
    assert np.isnan(found.kappa) and found.agreed == 1.0


def test_unequal_lists_are_refused():
    with pytest.raises(JudgeError, match="3 labels against 2"):
        cohen_kappa([1, 2, 3], [1, 2])
