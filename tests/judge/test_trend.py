import numpy as np
import pytest
from scipy.stats import norm, theilslopes

from triage.domain.errors import JudgeError
from triage.judge.trend import mann_kendall, theil_sen_slope

# A worked example with one tie: mathcs.holycross.edu/~little/Montserrat/MannKendallByHand.txt, S = 54, Z = 2.9058.
BY_HAND = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]


def test_a_published_example_comes_out_as_printed():
    found = mann_kendall(BY_HAND)
    pairs = 14 * 13 / 2
    assert found.tau * np.sqrt(pairs * (pairs - 1)) == pytest.approx(54)  # S, one pair being tied
    # Printed with a correction for continuity, z = 53 / 18.24 = 2.9058; without one it is 54 / 18.24.
    assert found.p == pytest.approx(2 * norm.sf(2.9058 * 54 / 53), rel=2e-4)


# One-sided probabilities of S with 4 and 5 values: Kendall, Rank Correlation Methods; Gilbert 1987, table A18.
@pytest.mark.parametrize(
    "values, s, one_sided",
    [
        ([1, 2, 3, 4], 6, 0.042),
        ([1, 2, 4, 3], 4, 0.167),
        ([5, 6, 11, 8, 10], 6, 0.117),
        ([1, 2, 3, 4, 5], 10, 0.0083),
    ],
)
def test_few_values_are_counted_as_in_the_printed_table(values, s, one_sided):
    found = mann_kendall(values)
    assert found.tau * len(values) * (len(values) - 1) / 2 == pytest.approx(s)
    assert found.p / 2 == pytest.approx(one_sided, abs=5e-4)


def test_the_slope_is_the_median_of_all_slopes():
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(0, 10, 40))
    values = 0.3 * times + rng.normal(size=40)
    first, second = np.triu_indices(40, 1)
    slopes = (values[second] - values[first]) / (times[second] - times[first])
    found = mann_kendall(values, times)
    assert found.slope == pytest.approx(np.median(slopes)) and found.low < 0.3 < found.high


def test_nothing_going_on_is_rarely_called_a_trend():
    p = [mann_kendall(np.random.default_rng(seed).normal(size=20)).p for seed in range(400)]
    assert 0.02 < np.mean(np.array(p) < 0.05) < 0.08


def test_one_wild_value_moves_the_slope_little():
    values = 0.5 * np.arange(30.0)
    values[12] = 1e6
    assert mann_kendall(values).slope == pytest.approx(0.5)


def test_order_of_the_rows_does_not_matter_and_unknown_values_are_left_out():
    times, values = np.arange(10.0), np.array([1, 3, 2, np.nan, 5, 4, 7, 6, 9, 8])
    mixed = np.random.default_rng(0).permutation(10)
    assert mann_kendall(values[mixed], times[mixed]) == mann_kendall(values, times)
    assert mann_kendall(values, times).n == 9


def test_a_falling_row_is_the_mirror_of_a_rising_one():
    up, down = mann_kendall(BY_HAND), mann_kendall([-value for value in BY_HAND])
    assert (down.tau, down.p) == pytest.approx((-up.tau, up.p))
    assert [down.slope, down.low, down.high] == pytest.approx([-up.slope, -up.high, -up.low])


@pytest.mark.parametrize("values, times", [([1, 2], None), ([], None), ([1, 2, 3, 4], [5, 5, 5, 5])])
def test_where_there_is_nothing_to_test_nothing_is_reported(values, times):
    found = mann_kendall(np.array(values, dtype=float), times)
    assert np.isnan([found.p, found.slope, found.tau]).all()


def test_equal_values_show_no_trend():
    found = mann_kendall([3.0] * 8)
    assert (found.p, found.slope, found.tau) == (1, 0, 0)


def test_what_cannot_be_tested_is_refused():
    with pytest.raises(JudgeError, match="a time for each value"):
        mann_kendall([1, 2, 3], [1, 2])
    with pytest.raises(JudgeError, match="infinite"):
        mann_kendall([1, 2, np.inf])
    with pytest.raises(JudgeError, match="between 0 and 1"):
        mann_kendall([1, 2, 3], confidence=95)


def test_the_slope_alone_is_that_of_scipy_and_unknown_values_take_no_part():
    rng = np.random.default_rng(4)
    values = 0.3 * np.arange(40) + rng.normal(size=40)
    assert theil_sen_slope(values) == pytest.approx(theilslopes(values).slope, rel=1e-12)
    values[[3, 17]] = np.nan
    known = np.isfinite(values)
    assert theil_sen_slope(values) == pytest.approx(
        theilslopes(values[known], np.flatnonzero(known)).slope, rel=1e-12
    )
    assert np.isnan(theil_sen_slope(np.array([np.nan, 1.0])))
