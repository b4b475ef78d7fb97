"""A taste on top of a doubt: the house's changes nothing, a tolerance moves its own kind alone, by hand or learnt."""

import numpy as np
import pytest

from tests.judge.tables import note_table
from triage.domain.errors import JudgeError
from triage.judge.taste import EVEN, HOUSE, MOST, Evidence, Taste, change, information, tasted
from triage.judge.taste_words import log_tolerance_of, sentences, tolerance_text
from triage.judge.tasted_doubt import from_bytes, to_bytes

KINDS = ("intonation", "noise")
EACH = np.array([[0.2, 0.1], [0.01, 0.5], [0.0, 0.0]])


def evidence_of(each):
    fine = 1 - each.sum(axis=1, keepdims=True)
    return Evidence(np.log(np.maximum(each, 1e-9)) - np.log(fine), np.zeros(each.shape))


def test_the_house_leaves_every_doubt_as_it_is():
    table = note_table(1, 3, 1)
    assert (HOUSE.added(KINDS, table, np.zeros((3, 2))) == 0).all()
    assert tasted(evidence_of(EACH), np.zeros(EACH.shape)) == pytest.approx(EACH, abs=1e-6)


def test_what_is_added_to_the_log_odds_of_a_kind_moves_its_probability_alone():
    added = np.zeros(EACH.shape)
    added[:, 1] = -1.5
    found = tasted(evidence_of(EACH), added)
    odds = 0.1 / 0.7 * np.exp(-1.5)  # of a noise against nothing, by hand
    assert found[0] == pytest.approx([0.2 / 0.7 / (1 + 0.2 / 0.7 + odds), odds / (1 + 0.2 / 0.7 + odds)])
    with pytest.raises(JudgeError, match="one of each"):
        tasted(evidence_of(EACH), np.zeros((2, 2)))


def test_a_wide_tolerance_takes_a_kind_out_and_a_strict_one_finds_little_more():
    tolerances = np.array([[-1.0, -1.0], [0.0, 0.0], [1.0, 1.0]])
    added, slope = change(KINDS, tolerances)
    assert added[1] == pytest.approx([0, 0]) and (slope < 0).all()
    assert added[0, 1] < 1 and added[2, 1] < -4  # of a noise
    step = 1e-6
    assert slope == pytest.approx((change(KINDS, tolerances + step)[0] - added) / step, rel=1e-4)


def test_articulation_instrument_and_direction_add_up_and_a_lock_stands_alone():
    table = note_table(1, 3, 1)
    taste = Taste(
        {"intonation": 0.3, "noise": 1.0},
        {("intonation", str(table.articulation[0])): 0.2},
        {("intonation", str(table.instrument[0])): 0.1},
        {"intonation": 0.05},
        {"noise": -0.4},
    )
    sides = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 0.0]])
    found = taste.log_tolerances(KINDS, table, sides)
    assert found[:, 0] == pytest.approx([0.55, 0.45, 0.5])
    assert (found[:, 1] == -0.4).all()
    assert taste.added(KINDS, table, sides) == pytest.approx(change(KINDS, found)[0] - [EVEN * 0.1, 0.0])
    wide = Taste({"noise": 99.0}, instrument={("noise", str(table.instrument[0])): 0.0})
    assert np.abs(wide.log_tolerances(KINDS, table, sides)).max() == MOST


def test_what_was_learnt_of_one_instrument_does_not_move_another_but_a_lock_does():
    table = note_table(1, 3, 1)
    taste = Taste({"intonation": 1.0}, instrument={("intonation", "tuba"): 0.0}, locked={"noise": 0.5})
    found = taste.log_tolerances(KINDS, table, np.zeros((3, 2)))
    assert (found[:, 0] == 0.0).all() and (found[:, 1] == 0.5).all()


def test_a_note_at_the_edge_teaches_most_and_each_articulation_is_taught_apart():
    each = np.array([[0.5], [0.99], [0.5]])
    takes, found = information(each, ["noise"], np.array(["a", "b", "b"]), np.array(["x", "x", "y"]))
    assert takes == ["a", "b"]
    assert found[0] == pytest.approx([found[0, 0], 0.0]) and found[1, 0] < found[1, 1] == found[0, 0]


def test_a_tolerance_is_told_in_its_unit_and_read_from_it():
    assert tolerance_text("intonation", log_tolerance_of("intonation", 18), -1) == "18 cents flat"
    assert tolerance_text("attack", 0.0) == "80 ms late to speak"
    for wrong in (0.0, -3.0, float("nan"), 1e9):
        with pytest.raises(JudgeError, match="intonation"):
            log_tolerance_of("intonation", wrong)


def test_only_what_differs_clearly_from_the_house_is_told():
    taste = Taste({"attack": -0.5, "noise": 2.5, "level": 0.3, "tone": 0.05}, {("attack", "legato"): 0.6})
    said = sentences(taste, {"level": 0.4})
    assert said[0] == "you hardly mind noise"
    assert "in legato you let attacks be up to 88 ms late to speak" in said  # 80 ms exp(0.1)
    assert not any("loud" in line or "bright" in line for line in said)
    assert sentences(HOUSE) == []


def test_a_taste_comes_back_from_its_file_and_a_strange_file_is_refused_in_one_line():
    taste = Taste({"noise": 1.0}, {("noise", "legato"): 0.2}, {("noise", "horn"): 0.1}, {}, {"level": 0.5})
    assert from_bytes(to_bytes(taste, "shipped"), "here") == (taste, "shipped")
    for data in (b"{}", b"{", b'{"format": "take-triage taste 1", "base": "x", "taste": {"kind": {"a": NaN}}}'):
        with pytest.raises(JudgeError, match="here: not a taste"):
            from_bytes(data, "here")
