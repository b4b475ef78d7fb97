"""What several people's verdicts on one take amount to, worked out by hand."""

from datetime import UTC, datetime

from triage.store.standing import Disagreement, GivenVerdict, PersonVerdicts, TakeVerdicts, standing_of, summarise

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


def given(
    number: int, by: str, verdict: str, note: int | None = None, back: bool = False, changed: str | None = None
):
    return GivenVerdict("T1", verdict, by, NOON, note, id=number, taken_back=back, changed=changed)


def resolve(history: list[GivenVerdict]) -> TakeVerdicts:
    return summarise(standing_of(history))


def test_each_person_counts_with_their_last_word():
    found = resolve([given(1, "anna", "reject"), given(2, "ben", "accept"), given(3, "anna", "accept")])
    assert found.people == {"anna": PersonVerdicts("accept"), "ben": PersonVerdicts("accept")}
    assert found.settled and found.disagreements == ()


def test_two_who_differ_are_both_shown_and_nothing_is_settled():
    found = resolve([given(1, "anna", "reject"), given(2, "ben", "accept"), given(3, "cleo", "accept")])
    assert found.disagreements == (Disagreement(None, ("ben", "cleo"), ("anna",)),)
    assert not found.settled and found.heard


def test_a_verdict_taken_back_lets_the_one_before_it_count_again():
    found = resolve([given(1, "anna", "accept"), given(2, "anna", "reject", back=True)])
    assert found.people["anna"].take == "accept" and found.settled


def test_a_verdict_about_another_sound_does_not_count():
    found = resolve([given(1, "anna", "accept", changed="its sound")])
    assert found.people == {} and not found.heard and not found.settled


def test_unsure_leaves_the_take_to_others_and_is_no_disagreement():
    alone = resolve([given(1, "anna", "unsure")])
    assert alone.heard and not alone.settled
    both = resolve([given(1, "anna", "unsure"), given(2, "ben", "reject")])
    assert both.settled and both.disagreements == ()


def test_a_verdict_on_a_note_does_not_settle_the_take():
    found = resolve([given(1, "anna", "reject", note=4)])
    assert found.people["anna"] == PersonVerdicts(None, {4: "reject"})
    assert not found.heard and not found.settled


def test_whoever_accepts_the_take_differs_from_whoever_rejects_a_note_of_it():
    found = resolve([given(1, "anna", "reject", note=4), given(2, "ben", "accept")])
    assert found.disagreements == (Disagreement(4, ("ben",), ("anna",)),)
    assert not found.settled


def test_one_person_may_accept_a_take_without_one_of_its_notes():
    found = resolve([given(1, "anna", "reject", note=4), given(2, "anna", "accept")])
    assert found.disagreements == () and found.settled
