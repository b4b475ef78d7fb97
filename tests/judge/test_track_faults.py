"""Track faults: what differs from the other takes of the same player and microphone, and nothing else."""

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from triage.judge.track_faults import TrackFacts, _medians_of_others, track_faults


def facts(take, lag_s=0.007, polarity=1, clear=2.0, note_dbfs=-30.0, floor_dbfs=-70.0, player="horn"):
    return TrackFacts(take, player, "room", floor_dbfs, note_dbfs, lag_s, polarity, clear)


GOOD = [facts(f"T{i:03d}", lag_s=0.007 + 0.00002 * (i % 3)) for i in range(6)]


def test_takes_that_agree_have_no_fault():
    assert track_faults(GOOD) == []


def test_an_inverted_track_is_found():
    (fault,) = track_faults([*GOOD, facts("T009", polarity=-1)])
    assert (fault.take, fault.kind, fault.mic) == ("T009", "polarity", "room")


def test_a_session_that_is_inverted_throughout_is_the_usual():
    assert track_faults([facts(f"T{i:03d}", polarity=-1) for i in range(6)]) == []


def test_the_measured_microphone_is_named_where_all_others_are_inverted_against_it():
    takes = [
        replace(facts(take, lag_s=lag_s, polarity=sign if lag_s else None), mic=mic)
        for take, sign in (("T1", 1), ("T2", 1), ("T3", 1), ("T4", 1), ("T5", -1))
        for mic, lag_s in (("close", None), ("main", 0.007), ("room", 0.012))
    ]
    (fault,) = track_faults(takes)
    assert (fault.take, fault.kind, fault.mic) == ("T5", "polarity", "close")
    one_other = [fact for fact in takes if fact.mic != "room"]  # of two nobody knows which
    assert [(fault.take, fault.mic) for fault in track_faults(one_other)] == [("T5", "main")]


def test_a_late_track_is_found_with_its_delay():
    (fault,) = track_faults([*GOOD, facts("T009", lag_s=0.012)])
    assert (fault.take, fault.kind) == ("T009", "delay")
    assert fault.why.startswith("5.0 ms later")


def test_another_player_sits_elsewhere():
    others = [facts(f"T1{i:02d}", lag_s=0.019, player="tuba") for i in range(6)]
    assert track_faults([*GOOD, *others]) == []


def test_an_unclear_match_is_no_fault():
    assert track_faults([*GOOD, facts("T009", lag_s=0.03, polarity=-1, clear=1.1)]) == []


def test_a_dead_track_is_found():
    (fault,) = track_faults([*GOOD, facts("T009", note_dbfs=-72.0, floor_dbfs=-73.0)])
    assert (fault.take, fault.kind) == ("T009", "dead-track")


def test_a_soft_take_is_not_dead():
    assert track_faults([*GOOD, facts("T009", note_dbfs=-52.0)]) == []


def test_too_few_takes_give_no_fault():
    assert track_faults([facts("T001"), facts("T002", polarity=-1)]) == []


def on(mic, take, lag_s, note_dbfs, clear=2.0):
    sign = None if lag_s is None else 1
    return TrackFacts(take, "horn", mic, -70.0, note_dbfs, lag_s, sign, clear if lag_s else None)


def session(swapped=()):
    """Six takes on three microphones; in the last the named two hold each other's track."""
    takes = []
    for i in range(6):
        soft_db = 4.0 * (i % 2)  # dynamics differ from take to take
        levels = {"close": -20.0 - soft_db, "main": -26.0 - soft_db, "room": -34.0 - soft_db}
        arrive_s = {"close": 0.0, "main": 0.007, "room": 0.023}
        if i == 5 and swapped:
            a, b = swapped
            levels[a], levels[b] = levels[b], levels[a]
            arrive_s[a], arrive_s[b] = arrive_s[b], arrive_s[a]
        takes += [
            on(mic, f"T{i:03d}", None if mic == "close" else arrive_s[mic] - arrive_s["close"], levels[mic])
            for mic in levels
        ]
    return takes


def test_a_session_in_order_has_no_swapped_tracks():
    assert track_faults(session()) == []


def test_two_swapped_tracks_are_found_as_such():
    faults = track_faults(session(("main", "room")))
    assert [(f.take, f.mic, f.kind) for f in faults] == [("T005", "main", "delay"), ("T005", "room", "delay")]
    assert faults[0].why == "looks swapped with the room microphone"


def test_a_track_swapped_with_the_reference_one_is_found():
    faults = track_faults(session(("close", "room")))
    assert {(f.take, f.mic) for f in faults} >= {("T005", "close"), ("T005", "room")}
    assert all("swapped" in f.why for f in faults if f.mic in ("close", "room"))


def test_swapped_tracks_are_found_by_level_where_lags_are_unclear():
    takes = [on(f.mic, f.take, f.lag_s, f.note_dbfs, clear=1.0) for f in session(("main", "room"))]
    assert {f.mic for f in track_faults(takes)} == {"main", "room"}


def test_a_late_track_is_not_called_swapped():
    takes = session()
    takes[-1] = on("room", "T005", 0.031, -38.0)
    (fault,) = track_faults(takes)
    assert (fault.mic, fault.kind) == ("room", "delay") and "8.0 ms later" in fault.why


def test_nothing_known_is_no_fault():
    assert track_faults([TrackFacts("T001", "horn", "close", None, None, None, None, None)]) == []


@given(st.lists(st.one_of(st.just(float("nan")), st.integers(-3, 3).map(float)), max_size=9))
def test_the_median_of_the_others_is_that_of_what_is_left_without_one(values):
    found, count = _medians_of_others(np.array(values, float))
    for at in range(len(values)):
        left = np.delete(np.array(values, float), at)
        left = left[np.isfinite(left)]
        assert count[at] == len(left)
        np.testing.assert_equal(found[at], np.median(left) if len(left) else np.nan)
