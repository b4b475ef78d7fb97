"""Clicks of the samples told from sharp sounds that the microphones heard."""

from triage.listen.acoustic_clicks import of_the_samples


def test_a_tick_within_a_sound_that_several_microphones_heard_is_no_fault_of_the_samples():
    assert of_the_samples([1.0, 3.0], [0, 0], [(1.02, 1.2)], []).tolist() == [False, True]


def test_clicks_on_two_tracks_at_once_are_the_recorders_even_within_a_sound():
    # known answer: sound would take 2.9 ms for a metre
    assert of_the_samples([1.1, 1.1003], [0, 1], [(1.0, 1.2)], []).tolist() == [True, True]
    assert of_the_samples([1.1, 1.1103], [0, 1], [(1.0, 1.2)], []).tolist() == [False, False]


def test_ticks_in_two_attacks_are_the_instruments_and_one_may_be_a_fault():
    assert of_the_samples([1.03, 2.0], [0, 0], [], [1.0]).tolist() == [True, True]
    assert of_the_samples([1.03, 2.02, 5.0], [0, 0, 0], [], [1.0, 2.0]).tolist() == [False, False, True]
