"""A player's natural sounds: what is usual for them, and which stand out among their like."""

import numpy as np
import pytest

from triage.judge.playing_habits import LEAST_ALIKE, PlayedSound, usual_sounds


def keys(levels_db, player="clarinet", cell="staccato ff", kind="key-sound"):
    return [PlayedSound(player, cell, kind, level) for level in levels_db]


def test_a_key_much_louder_than_its_like_stands_out_and_the_usual_level_is_their_median():
    levels = np.random.default_rng(1).normal(-40, 2, 15).tolist()
    found = usual_sounds(keys([*levels, -22.0]))
    assert found[-1].stands_out and not any(one.stands_out for one in found[:-1])
    assert found[-1].level_db == pytest.approx(np.median(levels))


def test_a_loud_player_is_judged_by_their_own_sounds():
    loud, soft = keys([-22.0] * 10), keys([-40.0] * 10, player="oboe")
    assert not any(one.stands_out for one in usual_sounds([*loud, *soft]))


def test_where_a_cell_has_too_few_the_player_s_other_cells_say_what_is_usual():
    other = keys([-40.0] * LEAST_ALIKE, cell="sustain p")
    found = usual_sounds([*other, *keys([-20.0, -41.0])])
    assert [one.stands_out for one in found[-2:]] == [True, False]


def test_of_a_few_sounds_nothing_is_known_to_be_usual():
    assert all(one.level_db is None and not one.stands_out for one in usual_sounds(keys([-40.0, -10.0, -42.0])))


def test_a_little_louder_is_still_usual():
    # the rule: 3 robust standard deviations, 2.5 dB at least each, and 6 dB at least
    assert not usual_sounds(keys([*[-40.0] * 10, -33.0]))[-1].stands_out
    assert usual_sounds(keys([*[-40.0] * 10, -32.0]))[-1].stands_out
