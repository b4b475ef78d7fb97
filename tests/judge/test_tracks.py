"""Track faults: what differs from the other takes of the same player and microphone, and nothing else."""

from triage.judge.tracks import TrackFacts, track_faults


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


def test_a_late_track_is_found_with_its_delay():
    (fault,) = track_faults([*GOOD, facts("T009", lag_s=0.012)])
    assert (fault.take, fault.kind) == ("T009", "delay")
    assert fault.why.startswith("5.0 ms later")


def test_another_player_sits_elsewhere():
    others = [facts(f"T1{i:02d}", lag_s=0.019, player="tuba") for i in range(6)]
    assert track_faults([*GOOD, *others]) == []


def test_an_unclear_match_says_nothing():
    assert track_faults([*GOOD, facts("T009", lag_s=0.03, polarity=-1, clear=1.1)]) == []


def test_a_dead_track_is_found():
    (fault,) = track_faults([*GOOD, facts("T009", note_dbfs=-72.0, floor_dbfs=-73.0)])
    assert (fault.take, fault.kind) == ("T009", "dead-track")


def test_a_soft_take_is_not_dead():
    assert track_faults([*GOOD, facts("T009", note_dbfs=-52.0)]) == []


def test_too_few_takes_know_nothing():
    assert track_faults([facts("T001"), facts("T002", polarity=-1)]) == []


def test_nothing_known_is_no_fault():
    assert track_faults([TrackFacts("T001", "horn", "close", None, None, None, None, None)]) == []
