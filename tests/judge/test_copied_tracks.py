"""Copied tracks: digests by hand."""

from triage.judge.copied_tracks import Copy, copied_tracks


def test_takes_without_shared_audio_are_not_named():
    assert copied_tracks({"a": [("close", "1"), ("room", "2")], "b": [("close", "3"), ("room", "4")], "c": []}) == {}


def test_two_microphones_of_one_take_may_hold_the_same():
    assert copied_tracks({"a": [("left", "1"), ("right", "1")], "b": [("left", "2"), ("right", "2")]}) == {}


def test_a_copy_under_another_microphone_and_a_third_one_are_found():
    digests = {"a": [("close", "1")], "b": [("close", "5"), ("room", "1")], "c": [("close", "1")]}
    assert copied_tracks(digests) == {
        "a": Copy(("close",), ("b", "c"), True),
        "b": Copy(("room",), ("a", "c"), False),
        "c": Copy(("close",), ("a", "b"), True),
    }
