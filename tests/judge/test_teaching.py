"""The queue's mix: shares as asked for, the random sample without regard to doubt, teaching where it teaches."""

import numpy as np
import pytest

from triage.judge.teaching import Mix, lot, most_teaching, purpose


def test_each_purpose_has_its_share_of_the_places():
    mix = Mix(teach=0.1, random=0.05, repeat=0.02)
    found = [purpose(place, mix) for place in range(1000)]
    assert found.count("teach") == pytest.approx(100, abs=2)
    assert found.count("random") == pytest.approx(50, abs=2)
    assert found.count("repeat") == pytest.approx(20, abs=2)
    places = [i for i, what in enumerate(found) if what == "teach"]
    assert max(np.diff(places)) <= 12  # evenly spread, not in a lump


def test_with_the_switch_off_every_place_goes_by_doubt():
    assert {purpose(place, Mix(0, 0, 0)) for place in range(200)} == {"doubt"}


def test_the_lot_is_the_takes_own_and_uniform():
    lots = np.array([lot("mill", f"T{i:04}") for i in range(2000)])
    assert lot("mill", "T0001") == lots[1] and lot("hall", "T0001") != lots[1]
    share = np.histogram(lots, 10, (0, 1))[0]
    assert ((share - 200) ** 2 / 200).sum() < 27.9  # chi-square, 9 degrees of freedom, p = 0.001


def test_what_is_uncertain_and_unlike_what_was_heard_teaches_most():
    doubt = np.array([0.9, 0.5, 0.5, 0.02])
    vectors = np.array([[0.0, 0], [0.1, 0], [3.0, 0], [5.0, 0]])
    heard = np.array([True, False, False, False])
    assert most_teaching(doubt, vectors, heard) == 2  # as uncertain as 1, further from what was heard
    assert most_teaching(doubt, vectors, np.ones(4, bool)) is None
    assert most_teaching(np.array([0.9, 0.5, 0.1]), np.full((3, 2), np.nan), np.zeros(3, bool)) == 1
