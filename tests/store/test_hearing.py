"""What several people's words on one take amount to, worked out by hand."""

from datetime import UTC, datetime

from triage.store.standing import Disagreement, Stance, resolve
from triage.store.stored import Said

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


def said(number: int, by: str, verdict: str, note: int | None = None, back: bool = False, changed: str | None = None):
    return Said(number, note, verdict, None, None, by, NOON, back, changed)


def test_each_person_counts_with_their_last_word():
    heard = resolve([said(1, "anna", "reject"), said(2, "ben", "accept"), said(3, "anna", "accept")])
    assert heard.people == {"anna": Stance("accept"), "ben": Stance("accept")}
    assert heard.settled and heard.disagreements == ()


def test_two_who_differ_are_both_shown_and_nothing_is_settled():
    heard = resolve([said(1, "anna", "reject"), said(2, "ben", "accept"), said(3, "cleo", "accept")])
    assert heard.disagreements == (Disagreement(None, ("ben", "cleo"), ("anna",)),)
    assert not heard.settled and heard.spoken


def test_a_word_taken_back_lets_the_one_before_it_count_again():
    heard = resolve([said(1, "anna", "accept"), said(2, "anna", "reject", back=True)])
    assert heard.people["anna"].take == "accept" and heard.settled


def test_a_word_about_another_sound_does_not_count():
    heard = resolve([said(1, "anna", "accept", changed="its sound")])
    assert heard.people == {} and not heard.spoken and not heard.settled


def test_unsure_leaves_the_take_to_others_and_is_no_disagreement():
    alone = resolve([said(1, "anna", "unsure")])
    assert alone.spoken and not alone.settled
    both = resolve([said(1, "anna", "unsure"), said(2, "ben", "reject")])
    assert both.settled and both.disagreements == ()


def test_a_word_on_a_note_does_not_settle_the_take():
    heard = resolve([said(1, "anna", "reject", note=4)])
    assert heard.people["anna"] == Stance(None, {4: "reject"})
    assert not heard.spoken and not heard.settled


def test_whoever_accepts_the_take_differs_from_whoever_rejects_a_note_of_it():
    heard = resolve([said(1, "anna", "reject", note=4), said(2, "ben", "accept")])
    assert heard.disagreements == (Disagreement(4, ("ben",), ("anna",)),)
    assert not heard.settled


def test_one_person_may_accept_a_take_without_one_of_its_notes():
    heard = resolve([said(1, "anna", "reject", note=4), said(2, "anna", "accept")])
    assert heard.disagreements == () and heard.settled
