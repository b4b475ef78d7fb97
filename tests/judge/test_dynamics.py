import numpy as np
import pytest

from tests.judge.keyboard import keyboard
from triage.judge.dynamics import ladder


def test_every_step_of_a_clear_ladder_rises_in_level_and_brightness():
    rungs = ladder(keyboard(np.random.default_rng(0), dynamics=("p", "mf", "ff")))
    assert {(r.softer, r.louder) for r in rungs} == {("p", "mf"), ("mf", "ff")}
    assert len(rungs) == 2 * 24 and {(r.level, r.brightness) for r in rungs} == {("rises", "rises")}
    assert np.mean([r.level_db for r in rungs]) == pytest.approx(6.0, abs=0.3)
    assert np.mean([r.brighter for r in rungs]) == pytest.approx(np.exp(0.25), abs=0.02)


def at_pitch(table, dynamic, pitch):
    return (table.dynamic == dynamic) & (table.pitch == pitch)


def test_where_two_dynamics_are_equal_they_touch_and_where_they_cross_one_falls():
    table = keyboard(np.random.default_rng(1))
    table.values["level_dbfs"][at_pitch(table, "f", 55)] -= 6.0
    table.values["level_dbfs"][at_pitch(table, "f", 60)] -= 9.0
    states = {r.pitch: r.level for r in ladder(table)}
    assert states[55] == "touches" and states[60] == "falls"
    assert [p for p, state in states.items() if state != "rises"] == [55, 60]


def test_louder_but_no_brighter_is_seen():
    table = keyboard(np.random.default_rng(2), spread=0.3)
    table.values["centroid_hz"][at_pitch(table, "f", 50)] *= np.exp(-0.25)
    rung = next(r for r in ladder(table) if r.pitch == 50)
    assert (rung.level, rung.brightness) == ("rises", "touches")


def test_one_overlapping_repetition_of_three_makes_dynamics_touch():
    table = keyboard(np.random.default_rng(3))
    loud = np.flatnonzero(at_pitch(table, "f", 58))
    table.values["level_dbfs"][loud[0]] -= 7.0
    assert next(r for r in ladder(table) if r.pitch == 58).level == "touches"
    left_out = np.arange(len(table)) == loud[0]
    assert next(r for r in ladder(table, left_out) if r.pitch == 58).level == "rises"


def test_dynamics_are_in_their_own_order_and_unknown_words_are_passed_over():
    table = keyboard(np.random.default_rng(4), dynamics=("mp", "mf", "layer 3", "ff"))
    assert list(dict.fromkeys((r.softer, r.louder) for r in ladder(table))) == [("mp", "mf"), ("mf", "ff")]


def test_only_shared_pitches_on_one_microphone_are_compared():
    table = keyboard(np.random.default_rng(5))
    table.pitch[table.dynamic == "f"] += 20
    assert {r.pitch for r in ladder(table)} == {68.0, 69.0, 70.0, 71.0}
    table.mic[table.dynamic == "f"] = "room"
    assert ladder(table) == []
