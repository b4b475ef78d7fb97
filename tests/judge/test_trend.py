import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from triage.domain.errors import JudgeError
from triage.judge.trend import mann_kendall

# A worked example with one tie: mathcs.holycross.edu/~little/Montserrat/MannKendallByHand.txt, S = 54, Z = 2.9058.
BY_HAND = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]


def test_a_published_example_comes_out_as_printed():
    found = mann_kendall(BY_HAND)
    assert found.s == 54
    assert found.z == pytest.approx(2.9058, abs=5e-5)
    assert found.p / 2 == pytest.approx(0.0018, abs=5e-5)


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
    assert found.s == s
    assert found.p / 2 == pytest.approx(one_sided, abs=5e-4)


def test_exact_p_is_that_of_another_implementation():
    for seed in range(5):
        values = np.random.default_rng(seed).normal(size=12)
        other = kendalltau(np.arange(12), values, method="exact")
        found = mann_kendall(values)
        assert found.p == pytest.approx(other.pvalue)
        assert found.tau == pytest.approx(other.statistic)


def test_with_many_ties_in_values_and_times_all_but_the_continuity_agrees_with_another_implementation():
    rng = np.random.default_rng(1)
    times = rng.integers(0, 12, 80)
    values = rng.integers(0, 5, 80) + times // 5
    found, other = mann_kendall(values, times), kendalltau(times, values, method="asymptotic")
    assert found.tau == pytest.approx(other.statistic)
    assert found.p > other.pvalue  # one pair nearer to nothing
    assert found.p == pytest.approx(other.pvalue, rel=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_slope_and_interval_are_those_of_another_implementation(seed):
    rng = np.random.default_rng(seed)
    times = np.sort(rng.uniform(0, 10, 80))
    values = 0.3 * times + rng.normal(size=80)
    found, other = mann_kendall(values, times), theilslopes(values, times)
    assert found.slope == pytest.approx(other.slope)
    # The other one rounds the ranks of the interval, ours lies between two slopes.
    assert [found.low, found.high] == pytest.approx([other.low_slope, other.high_slope], rel=0.01)


def test_nothing_going_on_is_rarely_called_a_trend():
    p = [mann_kendall(np.random.default_rng(seed).normal(size=20)).p for seed in range(400)]
    assert 0.02 < np.mean(np.array(p) < 0.05) < 0.08


def test_one_wild_value_moves_the_slope_little():
    values = 0.5 * np.arange(30.0)
    values[12] = 1e6
    assert mann_kendall(values).slope == pytest.approx(0.5)


def test_order_of_the_rows_does_not_matter_and_unknown_values_have_no_say():
    times, values = np.arange(10.0), np.array([1, 3, 2, np.nan, 5, 4, 7, 6, 9, 8])
    mixed = np.random.default_rng(0).permutation(10)
    assert mann_kendall(values[mixed], times[mixed]) == mann_kendall(values, times)
    assert mann_kendall(values, times).n == 9


def test_a_falling_row_is_the_mirror_of_a_rising_one():
    up, down = mann_kendall(BY_HAND), mann_kendall([-value for value in BY_HAND])
    assert (down.s, down.z, down.p) == (-up.s, -up.z, up.p)
    assert [down.slope, down.low, down.high] == pytest.approx([-up.slope, -up.high, -up.low])


@pytest.mark.parametrize("values, times", [([1, 2], None), ([], None), ([1, 2, 3, 4], [5, 5, 5, 5])])
def test_where_there_is_nothing_to_test_nothing_is_said(values, times):
    found = mann_kendall(np.array(values, dtype=float), times)
    assert np.isnan([found.p, found.slope, found.tau]).all()


def test_equal_values_show_no_trend():
    found = mann_kendall([3.0] * 8)
    assert (found.s, found.p, found.slope, found.tau) == (0, 1, 0, 0)


def test_what_cannot_be_tested_is_refused():
    with pytest.raises(JudgeError, match="a time for each value"):
        mann_kendall([1, 2, 3], [1, 2])
    with pytest.raises(JudgeError, match="infinite"):
        mann_kendall([1, 2, np.inf])
    with pytest.raises(JudgeError, match="between 0 and 1"):
        mann_kendall([1, 2, 3], confidence=95)
