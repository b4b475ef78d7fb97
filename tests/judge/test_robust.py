import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.judge.robust import MAD_TO_SIGMA, bisquare, group_median, group_scale2, local_line, mad, weighted_median

# NIST/SEMATECH e-Handbook 1.3.5.17, uranium mass spectrometer readings
URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])

# Rosner 1983, in NIST/SEMATECH e-Handbook 1.3.5.17.3
ROSNER = np.array(
    [
        float(word)
        for word in """
-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77 1.81 1.91 1.94
1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26
3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01""".split()
    ]
)


def modified_z(values):
    """Return (x - median) / MAD's sigma, which the book flags beyond 3.5."""
    return (values - np.median(values)) / mad(values)


def test_mad_of_the_handbook_readings():
    assert mad(URANIUM) == pytest.approx(1.47519, abs=5e-6)  # computed from formula: 0.995 * 1.4826022


def test_modified_z_finds_the_one_bad_reading_and_no_other():
    z = modified_z(URANIUM)
    assert z[-1] == pytest.approx(29.963, rel=5e-5)  # computed from formula, with 0.6745 rounded to 4 digits
    assert np.abs(z[:-1]).max() == pytest.approx(1.40, abs=5e-3)


def test_modified_z_flags_the_three_outliers_of_rosner():
    z = modified_z(ROSNER)
    assert ROSNER[np.abs(z) > 3.5].tolist() == [5.34, 5.42, 6.01]  # the generalized ESD test finds 3 as well
    assert z[-3:] == pytest.approx([4.016, 4.115, 4.845], abs=5e-4)  # computed from formula


def test_mad_keeps_small_differences_on_large_values():
    # NIST StRD NumAcc1 (mean 10000002, deviations -1, 1, 0) and NumAcc4 (0.1 about 10000000.2)
    assert mad(np.array([10000001.0, 10000003.0, 10000002.0])) == pytest.approx(MAD_TO_SIGMA)
    numacc4 = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)
    assert mad(numacc4) == pytest.approx(0.1 * MAD_TO_SIGMA, rel=1e-7)


def test_mad_of_mostly_equal_values_falls_back_to_the_mean_deviation_then_to_the_floor():
    assert mad(np.array([1.0, 1.0, 1.0, 5.0])) == pytest.approx(np.sqrt(np.pi / 2))  # mean deviation 1
    assert mad(np.ones(4), floor=0.3) == 0.3


def test_mad_is_the_sigma_of_a_normal_distribution():
    values = np.random.default_rng(0).normal(5.0, 2.0, 100_000)
    assert mad(values) == pytest.approx(2.0, rel=0.01)  # standard error 0.37 % of sigma


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20))
def test_weighted_median_with_equal_weights_is_the_median(values):
    row = np.array([values])
    assert weighted_median(row, np.full_like(row, 0.3))[0] == pytest.approx(np.median(row), abs=1e-6)


def test_weighted_median_repeats_a_value_as_often_as_its_weight():
    values, weights = np.array([[3.0, 1.0, 9.0, 4.0]]), np.array([[2, 1, 0, 4]])
    assert weighted_median(values, weights)[0] == np.median([1, 3, 3, 4, 4, 4, 4])
    assert np.isnan(weighted_median(values, 0 * weights)[0])


def test_bisquare_gives_all_to_zero_and_nothing_beyond_its_constant():
    assert bisquare(np.array([0.0, 4.685, -100.0])).tolist() == [1.0, 0.0, 0.0]
    assert bisquare(np.array([4.685 / np.sqrt(2)])) == pytest.approx([0.25])


def test_group_median_is_numpys_in_every_group():
    rng = np.random.default_rng(1)
    values, group = rng.normal(size=60), rng.integers(0, 7, 60)
    found = group_median(values, group, 9)
    assert found[:7] == pytest.approx([np.median(values[group == g]) for g in range(7)])
    assert np.isnan(found[7:]).all()


def test_group_scale_is_exact_for_clean_values_and_stands_a_fifth_of_bad_ones():
    rng = np.random.default_rng(2)
    residual = rng.normal(0.0, 3.0, 20_000)
    group = np.repeat([0, 1], 10_000)
    residual[10_000:12_000] = 1000.0
    scale2, size = group_scale2(residual, group, 3)
    assert np.sqrt(scale2[0]) == pytest.approx(3.0, rel=0.03)
    assert np.sqrt(scale2[1]) == pytest.approx(3.0, rel=0.08)  # the MAD alone would be 31 % too large
    assert size.tolist() == [10_000, 10_000, 0] and scale2[2] == 0.0


def test_local_line_is_weighted_least_squares():
    rng = np.random.default_rng(3)
    away, y, u = rng.uniform(-5, 5, 8), rng.normal(size=8), rng.uniform(0.1, 1, 8)
    kernel = rng.uniform(0.1, 1, 8)
    share, n = local_line(u[None], u[None] ** 2, away[None], kernel[None], np.array([1e-12]))
    slope_and_height = np.polyfit(away, y, 1, w=np.sqrt(u * kernel))  # other implementation
    assert (share * u * y).sum() == pytest.approx(slope_and_height[1])
    assert n[0] == pytest.approx(1 / ((share * u) ** 2).sum())


def test_local_line_without_values_has_no_share():
    share, n = local_line(np.zeros((1, 3)), np.zeros((1, 3)), np.ones((1, 3)), np.ones((1, 3)), np.ones(1))
    assert not share.any() and n[0] == 0
