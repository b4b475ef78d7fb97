"""Lasting noise: what one take has beside the session's others; levels by hand."""

import pytest

from triage.judge.lasting_noise import LastingNoise, outstanding


def takes(levels, over_db=30.0):
    """One take for each level; None: it has no such noise and no level, a string: no noise, but a level."""
    return [
        LastingNoise(
            f"T{at}", None if level is None else float(level), None if isinstance(level, str | None) else over_db
        )
        for at, level in enumerate(levels)
    ]


def names(levels, over_db=30.0):
    return [one.take for one in outstanding(takes(levels, over_db))]


def test_hum_in_one_take_of_many_stands_out_and_in_all_of_them_it_does_not():
    assert names([None] * 8 + [-60]) == ["T8"]
    assert names([-60, -61, -59, -60, -62, -60]) == []


def test_a_third_of_the_takes_is_few_and_half_of_them_is_not():
    assert names([-60] * 3 + [None] * 6) == ["T0", "T1", "T2"]
    assert names([-60] * 4 + [None] * 4) == []


def test_hum_that_all_takes_have_stands_out_where_it_is_clearly_louder():
    (found,) = outstanding(takes([-60, -61, -52, -60, -62, -55]))
    assert (found.take, found.level_dbfs, found.usual_dbfs, found.having, found.takes) == ("T2", -52, -60, 6, 6)


@pytest.mark.parametrize("over_db, found", [(12.0, []), (16.0, ["T5"])])
def test_hum_at_the_limit_of_detection_does_not_stand_out_by_being_found(over_db, found):
    assert names([None] * 5 + [-60], over_db) == found


@pytest.mark.parametrize("level, found", [(-62, []), (-58, ["T5"])])
def test_rumble_is_compared_with_the_takes_in_which_it_was_not_found(level, found):
    assert names(["-64", "-65", "-63", "-64", "-66", level]) == found


def test_of_three_takes_none_says_what_is_usual():
    assert names([None, None, -50]) == [] and names([]) == []
