from datetime import datetime, timedelta

import pytest

from triage.judge.rest_reminder import REMIND_S, REST_S, WORDS, TakeOnClock, is_loud, loud_playing

TEN = datetime(2026, 3, 14, 10, 0)


def take(dynamic="ff", sounding_s=60.0, minute=None, duration_s=120.0, instrument="horn"):
    began = None if minute is None else TEN + timedelta(minutes=minute)
    return TakeOnClock("mill", instrument, dynamic, sounding_s, duration_s, began)


@pytest.mark.parametrize(
    "dynamic, loud",
    [
        ("f", True),
        ("FF", True),
        (" fff ", True),
        ("sfz", True),
        ("mf", False),
        ("p", False),
        ("", False),
        ("vl4", False),
        ("forte", True),
    ],
)
def test_loud_is_forte_and_more(dynamic, loud):
    assert is_loud(dynamic) is loud


def test_only_loud_sound_is_counted_by_instrument():
    found = loud_playing([take(), take("p"), take("f", 30.0), take(instrument="tuba"), take("mf", instrument="oboe")])
    assert [(one.instrument, one.loud_s, one.takes) for one in found] == [("horn", 90.0, 2), ("tuba", 60.0, 1)]
    assert not any(one.by_clock for one in found)


def test_a_break_by_the_clock_is_a_rest():
    # Takes of 2 minutes at 0, 3, 20: the gap before the last is 15 minutes.
    found = loud_playing([take(minute=20), take(minute=0), take(minute=3)])[0]
    assert (found.loud_s, found.since_rest_s, found.by_clock) == (180.0, 60.0, True)


def test_a_gap_just_short_of_a_rest_is_none():
    short = (REST_S - 1) / 60
    assert loud_playing([take(minute=0), take(minute=2 + short)])[0].since_rest_s == 120.0
    assert loud_playing([take(minute=0), take(minute=2 + REST_S / 60)])[0].since_rest_s == 60.0


def test_soft_takes_are_no_rest_from_holding_the_instrument():
    # A soft take in between: the loud ones before it still count.
    takes = [take(minute=0), take("p", minute=3, duration_s=900.0), take(minute=19)]
    assert loud_playing(takes)[0].since_rest_s == 120.0


def test_one_take_without_a_clock_and_rests_are_unknown():
    found = loud_playing([take(minute=0), take(minute=30), take()])[0]
    assert (found.by_clock, found.since_rest_s) == (False, 180.0)


def test_the_reminder_is_due_at_its_bound_and_gives_no_advice():
    assert not loud_playing([take(sounding_s=REMIND_S - 1)])[0].due
    assert loud_playing([take(sounding_s=REMIND_S)])[0].due
    assert "not medical advice" in WORDS and "licensed practice decide" in WORDS
