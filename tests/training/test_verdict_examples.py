"""Verdicts become labels: by whom, when, on which note, for which reason."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.training.synthetic_sessions import made_session
from training.verdict_examples import ANY, examples_of_session, labels_from
from triage.domain.verdict import Verdict
from triage.ranking.session_features import session_features

AT = datetime(2026, 3, 14, 9, tzinfo=UTC)


def verdict(take, value, by="anna", note=None, reason=None, after=0):
    return Verdict(take, value, by, AT + timedelta(seconds=after), note, reason)


def test_people_are_counted_together():
    (found,) = labels_from([verdict("T1", "accept"), verdict("T1", "reject", "ben")])
    assert (found.rejected, found.people) == (0.5, 2)


def test_unsure_settles_nothing():
    assert labels_from([verdict("T1", "unsure")]) == []
    (found,) = labels_from([verdict("T1", "unsure"), verdict("T1", "reject", "ben", reason="length")])
    assert (found.rejected, found.kind, found.people) == (1.0, "length", 1)


def test_a_technical_reason_is_no_label_of_the_playing():
    assert labels_from([verdict("T1", "reject", reason="dropout")]) == []


@pytest.mark.parametrize(
    "reasons, kind", [(("creak", "breath"), "noise"), (("length", "tone"), ANY), ((None, None), ANY)]
)
def test_the_reason_is_what_most_people_named(reasons, kind):
    verdicts = [verdict("T1", "reject", by, reason=reason) for by, reason in zip("ab", reasons, strict=True)]
    assert labels_from(verdicts)[0].kind == kind


def test_a_take_rejected_for_one_note_labels_that_note_alone():
    takes, _ = made_session(1, takes=4)
    verdicts = [
        verdict("T001", "reject"),
        verdict("T001", "reject", note=3, reason="length"),
        verdict("T002", "accept"),
    ]
    found = examples_of_session("s", session_features(takes, {}, {}), verdicts)
    pairs = zip(found.labels, found.rows, strict=True)
    about = {(w.take, w.note): list(found.table.number[rows]) for w, rows in pairs}
    assert about == {("T001", 3): [3], ("T002", None): [1, 2, 3, 4, 5, 6]}


def test_an_accepted_take_with_one_note_rejected_is_good_but_for_that_note():
    takes, _ = made_session(1, takes=2)
    found = examples_of_session(
        "s", session_features(takes, {}, {}), [verdict("T001", "accept"), verdict("T001", "reject", note=2)]
    )
    about = {w.note: list(found.table.number[rows]) for w, rows in zip(found.labels, found.rows, strict=True)}
    assert about == {None: [1, 3, 4, 5, 6], 2: [2]}


def test_no_verdict_reaches_the_features():
    takes, truth = made_session(2)
    verdicts = [verdict(take, "reject" if fault else "accept") for take, fault in truth.items()]
    with_words, without = (
        examples_of_session("s", session_features(takes, {}, {}), words) for words in (verdicts, [])
    )
    np.testing.assert_array_equal(with_words.features.matrix, without.features.matrix)
