"""The queue's mix: shares as asked for, random places without regard to doubt, the most informative takes first."""

import numpy as np
import pytest

from triage.judge.active_learning import Mix, learning_order, purpose


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


def test_what_is_uncertain_and_unlike_what_was_heard_is_most_informative():
    doubt = np.array([0.9, 0.5, 0.5, 0.02])
    vectors = np.array([[0.0, 0], [0.1, 0], [3.0, 0], [5.0, 0]])
    heard = np.array([True, False, False, False])
    # as uncertain as 1 and further from what was heard
    assert learning_order(doubt, vectors, heard)[0] == 2
    assert list(learning_order(doubt, vectors, np.ones(4, bool))) == []
    assert learning_order(np.array([0.9, 0.5, 0.1]), np.full((3, 2), np.nan), np.zeros(3, bool))[0] == 1


def test_a_take_like_one_just_chosen_is_hardly_informative():
    rng = np.random.default_rng(2)
    near, other = rng.normal((4, 0, 0), 0.01, (10, 3)), rng.normal((0, 3, 0), 0.01, (2, 3))
    vectors = np.concatenate([np.zeros((1, 3)), near, other])
    doubt, heard = np.array([0.5, *[0.5] * 10, *[0.4] * 2]), np.arange(13) == 0
    order = learning_order(doubt, vectors, heard)
    assert order[0] in range(1, 11) and order[1] in (11, 12)  # though each of the ten is more uncertain


def test_the_order_is_short_and_quick_for_a_store_of_many_takes():
    rng = np.random.default_rng(3)
    order = learning_order(rng.random(20_000), rng.normal(size=(20_000, 16)), rng.random(20_000) < 0.1)
    assert len(order) == len(set(order)) == 200
