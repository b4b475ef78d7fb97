import numpy as np
import pytest

from tests.judge.keyboard import keyboard, row_of
from triage.judge.curves import QUANTITIES, curves


def curve_of(table, quantity, dynamic="p"):
    return next(c for c in curves(table) if (c.quantity, c.dynamic) == (quantity, dynamic))


def test_every_cohort_has_a_curve_of_every_quantity():
    found = curves(keyboard(np.random.default_rng(0)))
    assert [(c.dynamic, c.quantity) for c in found] == [(d, q) for d in ("f", "p") for q in QUANTITIES]
    assert all(len(c.pitch) == 24 and len(c.rows) == 72 for c in found)


def test_about_nineteen_good_notes_of_twenty_lie_in_the_band():
    inside, none = [], []
    for seed in range(4):
        for curve in curves(keyboard(np.random.default_rng(seed), spread=3.0)):
            place = np.searchsorted(curve.pitch, np.repeat(curve.pitch, 3))
            inside.append((curve.values >= curve.low[place]) & (curve.values <= curve.high[place]))
            none.append(curve.outlier)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03)
    assert np.mean(none) < 0.005


@pytest.mark.parametrize("quantity, change", [("length", 1.3), ("brightness", 0.75), ("attack", 2.0)])
def test_a_note_off_by_a_ratio_is_an_outlier(quantity, change):
    table = keyboard(np.random.default_rng(1))
    row = row_of(table, "p", 60.0)
    table.values[QUANTITIES[quantity].measurement][row] *= change
    curve = curve_of(table, quantity)
    assert curve.rows[curve.outlier].tolist() == [row]
    place = int(np.flatnonzero(curve.rows == row)[0])
    assert curve.values[place] / curve.note_expected[place] == pytest.approx(change, rel=0.1)


@pytest.mark.parametrize("quantity, change", [("level", -4.0), ("tuning", 25.0)])
def test_a_note_off_by_a_difference_is_an_outlier(quantity, change):
    table = keyboard(np.random.default_rng(2))
    row = row_of(table, "f", 52.0)
    table.values[QUANTITIES[quantity].measurement][row] += change
    curve = curve_of(table, quantity, "f")
    assert curve.rows[curve.outlier].tolist() == [row]


def test_the_greatest_step_between_neighbours_is_found_where_it_is():
    table = keyboard(np.random.default_rng(3), spread=0.2)
    table.values["level_dbfs"][(table.pitch >= 57) & (table.dynamic == "p")] += 3.0
    assert curve_of(table, "level").step[:2] == (56.0, 57.0)
    assert curve_of(table, "level").step[2] == pytest.approx(3.0, abs=0.4)


def test_another_note_is_no_tuning_and_an_unknown_pitch_has_no_place():
    table = keyboard(np.random.default_rng(4))
    table.values["cents"][0], table.pitch[1] = -200.0, np.nan
    curve = curve_of(table, "tuning")
    assert 0 not in curve.rows and 1 not in curve.rows


def test_one_pitch_has_no_step():
    one = keyboard(np.random.default_rng(5), dynamics=("p",), pitches=1)
    assert curve_of(one, "level").step is None
