"""Cut tails: how takes end, by hand."""

import pytest

from triage.judge.cut_tails import CutTail, TrackEnd, cut_tails


def ends(over_db, mic="room", fall_db_s=40.0, player="horn", after_s=None):
    """Return takes of which those that end over their background end soon after their last note, unless told."""
    return [
        TrackEnd(f"T{at}", player, mic, over, fall_db_s, (0.4 if over > 6 else 2.0) if after_s is None else after_s)
        for at, over in enumerate(over_db)
    ]


def test_a_take_that_ends_far_over_its_background_where_others_do_not_is_found():
    assert cut_tails(ends([3, 4, 20, 2, 3])) == [CutTail("T2", "room", 20, 3.0)]


def test_what_is_usual_is_no_fault_and_what_is_seldom_compared_neither():
    assert cut_tails(ends([19, 21, 20, 18, 22, 20])) == []
    assert cut_tails(ends([3, 20, 3])) == []
    assert cut_tails(ends([3, 20, 3]) + ends([3, 3, 3], player="tuba")) == []


@pytest.mark.parametrize("over_db, found", [(7.5, 0), (8.5, 0), (9.5, 1)])
def test_it_must_be_clear_over_noise_and_over_the_usual_end(over_db, found):
    assert len(cut_tails(ends([3, 3.2, over_db, 2.8, 3]))) == found
    assert len(cut_tails(ends([3, 3.2, 13.0, 2.8, 9.0, 0.1, 6.5, 12.0]))) == 0  # takes that end anyhow


@pytest.mark.parametrize("fall_db_s, found", [(0.0, 1), (100.0, 1), (400.0, 0), (-60.0, 0)])
def test_what_would_have_been_over_at_once_or_rises_is_no_tail(fall_db_s, found):
    others = ends([3, 4, 2, 3])
    assert len(cut_tails([*others, TrackEnd("T9", "horn", "room", 20, fall_db_s, 0.4)])) == found


def test_the_microphone_that_tells_it_best_speaks_for_the_take():
    (cut,) = cut_tails(ends([3, 4, 12, 2, 3], "close") + ends([5, 5, 22, 5, 5]))
    assert (cut.take, cut.mic, cut.over_db, cut.usual_db) == ("T2", "room", 22, 5.0)


def test_a_take_that_goes_on_after_its_last_note_as_long_as_usual_is_not_cut():
    waited = ends([3, 4, 20, 2, 3], after_s=1.5)  # its last note rings longer than those of the others
    assert cut_tails(waited) == []
