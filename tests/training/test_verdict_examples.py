"""What people said becomes what can be learnt: who, when, of which note, for which reason."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.training.told import made_session
from training.verdict_examples import ANY, examples_of_session, resolve
from triage.domain.verdict import Verdict
from triage.ranking.session_features import session_features

AT = datetime(2026, 3, 14, 9, tzinfo=UTC)


def word(take, verdict, by="anna", note=None, reason=None, after=0):
    return Verdict(take, verdict, by, AT + timedelta(seconds=after), note, reason)


def test_people_are_counted_together():
    (found,) = resolve([word("T1", "accept"), word("T1", "reject", "ben")])
    assert (found.rejected, found.people) == (0.5, 2)


def test_unsure_settles_nothing():
    assert resolve([word("T1", "unsure")]) == []
    (found,) = resolve([word("T1", "unsure"), word("T1", "reject", "ben", reason="length")])
    assert (found.rejected, found.kind, found.people) == (1.0, "length", 1)


def test_a_technical_reason_teaches_nothing_of_the_playing():
    assert resolve([word("T1", "reject", reason="dropout")]) == []


@pytest.mark.parametrize(
    "reasons, kind", [(("creak", "breath"), "noise"), (("length", "tone"), ANY), ((None, None), ANY)]
)
def test_the_reason_is_what_most_people_named(reasons, kind):
    said = [word("T1", "reject", by, reason=reason) for by, reason in zip("ab", reasons, strict=True)]
    assert resolve(said)[0].kind == kind


def test_a_take_rejected_for_one_note_teaches_of_that_note_alone():
    takes, _ = made_session(1, takes=4)
    said = [word("T001", "reject"), word("T001", "reject", note=3, reason="length"), word("T002", "accept")]
    found = examples_of_session("s", session_features(takes, {}, {}), said)
    pairs = zip(found.words, found.rows, strict=True)
    about = {(w.take, w.note): list(found.table.number[rows]) for w, rows in pairs}
    assert about == {("T001", 3): [3], ("T002", None): [1, 2, 3, 4, 5, 6]}


def test_an_accepted_take_with_one_note_rejected_is_good_but_for_that_note():
    takes, _ = made_session(1, takes=2)
    found = examples_of_session(
        "s", session_features(takes, {}, {}), [word("T001", "accept"), word("T001", "reject", note=2)]
    )
    about = {w.note: list(found.table.number[rows]) for w, rows in zip(found.words, found.rows, strict=True)}
    assert about == {None: [1, 3, 4, 5, 6], 2: [2]}


def test_no_verdict_reaches_the_evidence():
    takes, truth = made_session(2)
    said = [word(take, "reject" if fault else "accept") for take, fault in truth.items()]
    with_words, without = (examples_of_session("s", session_features(takes, {}, {}), words) for words in (said, []))
    np.testing.assert_array_equal(with_words.features.matrix, without.features.matrix)
