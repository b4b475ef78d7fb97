"""The queue's mix: shares as asked for, random places without regard to doubt, the most informative takes first."""

import numpy as np
import pytest

from triage.judge.active_learning import Mix, purpose, teaching_order


def test_each_purpose_has_its_share_of_the_places():
    mix = Mix(learning=0.1, random=0.05, repeat=0.02)
    found = [purpose(place, mix) for place in range(1000)]
    assert found.count("learning") == pytest.approx(100, abs=2)
    assert found.count("random") == pytest.approx(50, abs=2)
    assert found.count("repeat") == pytest.approx(20, abs=2)
    places = [i for i, what in enumerate(found) if what == "learning"]
    assert max(np.diff(places)) <= 12  # evenly spread, not in a lump


def test_with_the_switch_off_every_place_goes_by_doubt():
    assert {purpose(place, Mix(0, 0, 0)) for place in range(200)} == {"doubt"}


def test_the_take_that_teaches_most_comes_first_and_the_next_teaches_something_else():
    information = np.array([[0.9, 0.0], [0.8, 0.0], [0.0, 0.5], [0.1, 0.1]])
    assert list(teaching_order(information, np.zeros(4, bool))) == [0, 2, 1, 3]
    # by hand: log 1.9 = 0.642; then log(1 + 0.8 / 1.9) = 0.351 < log 1.5 = 0.405; then 0.351 > log(1.0526 * 1.067)
    assert list(teaching_order(information, np.array([True, False, False, False]))) == [2, 1, 3]
    assert list(teaching_order(information, np.ones(4, bool))) == []


def test_the_order_is_short_and_quick_for_a_store_of_many_takes():
    rng = np.random.default_rng(3)
    order = teaching_order(rng.random((20_000, 36)), rng.random(20_000) < 0.1)
    assert len(order) == len(set(order)) == 200
