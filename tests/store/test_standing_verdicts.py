"""Everybody who counts verdicts counts the same ones: after a retake, a changed sheet row, an undo, a dispute."""

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.planned import NOON, PlannedTake, fill
from training.agreement_report import agreement_of
from training.retraining import training_data
from triage.desk.json_views import take_shown
from triage.domain.judgement import Judgement, TakeJudgement
from triage.domain.verdict import Verdict
from triage.sheets.best_set import keep_set
from triage.sheets.plan_table import plan_of
from triage.store.consistency import notes_of_sessions
from triage.store.engine import reading, writing
from triage.store.neighbours import neighbour_notes
from triage.store.ranking import queue, save_judgement
from triage.store.review import next_takes, take_page
from triage.store.review_sampling import has_reviewed, reviewed_takes
from triage.store.soundness import verdict_states
from triage.store.takes import find_take, save_take
from triage.store.verdicts import record_verdict, take_back

TAKES = tuple(PlannedTake(name, (53, 54)) for name in ("T1", "T2", "T3"))


@pytest.fixture
def session(engine):
    """Three takes of the same two notes, of which anna has rejected the first and accepted the second."""
    session_id = fill(engine, TAKES)
    with writing(engine) as db:
        for take in TAKES:
            save_take(db, session_id, replace(take.record(), audio_digest="as first heard"))
        rank(db, session_id)
    give(engine, session_id, "T1", "reject", reason="cracked")
    give(engine, session_id, "T2", "accept")
    return session_id


def rank(db, session_id):
    ranked = tuple(TakeJudgement(take.name, 0.1, 1.0, place) for place, take in enumerate(TAKES, 1))
    save_judgement(db, session_id, Judgement("test 1", ranked))


def give(engine, session_id, take, verdict, by="anna", **more):
    with writing(engine) as db:
        at = NOON + timedelta(minutes=give.count)
        give.count += 1
        record_verdict(db, session_id, Verdict(take, verdict, by, at, **more))


give.count = 0


def take_in_again(engine, session_id, **changed):
    with writing(engine) as db:
        save_take(db, session_id, replace(TAKES[0].record(), **{"audio_digest": "as first heard", **changed}))
        rank(db, session_id)


def names_of(takes):
    return [take.name for take in takes]


def counted(engine, session_id):
    """Return what each reader makes of the verdicts on T1."""
    data = training_data(engine)
    labels = [label for one in data.examples for label in one.labels if label.take == "T1"]
    with reading(engine) as db:
        assert verdict_states(db) == []
        take, other = (find_take(db, session_id, name) for name in ("T1", "T3"))
        shown = take_shown(db, take, 0.5, "anna")["verdicts"]
        rows, by_person = take_page(db, session_id, "all", 0, 9)
        return {
            "queue": next(entry.verdict for entry in queue(db, session_id) if entry.take == "T1"),
            "desk": {by: person["take"] for by, person in shown["people"].items()},
            "list": by_person.get(take.id, {}),
            "disputed": bool(shown["disagreements"]) and next(row.disputed for row in rows if row.name == "T1"),
            "to hear": {
                by: "T1" in [one.name for one in next_takes(db, session_id, by, 9)] for by in ("anna", "cleo")
            },
            "heard by": (has_reviewed(db, take.id, "anna"), "T1" in reviewed_takes(db, session_id)),
            "neighbour": "T1" in {one.take for one in neighbour_notes(db, other.id, 1)},
            "consistency": {note.rejected for note in notes_of_sessions(db, [session_id]) if note.take == "T1"},
            "pick-ups": {note.verdict for note in plan_of(db, session_id).notes if note.take == "T1"},
            "best set": "T1" in {note.take for note in keep_set(db, session_id).kept},
            "retraining": [(label.rejected, label.kind) for label in labels],
            "agreement": [row["people"] for row in agreement_of(data.verdicts)],
        }


NOTHING = {
    "queue": None,
    "desk": {},
    "list": {},
    "disputed": False,
    "to hear": {"anna": True, "cleo": True},
    "heard by": (False, False),
    "neighbour": True,
    "consistency": {False},
    "pick-ups": {None},
    "retraining": [],
    "agreement": [],
}
REJECTED = {
    "queue": "reject",
    "desk": {"anna": "reject"},
    "list": {"anna": "reject"},
    "disputed": False,
    "to hear": {"anna": False, "cleo": False},
    "heard by": (True, True),
    "neighbour": False,
    "consistency": {True},
    "pick-ups": {"reject"},
    "best set": False,
    "retraining": [(1.0, "cracked")],
    "agreement": [],
}


def test_a_reject_counts_with_every_reader(engine, session):
    assert counted(engine, session) == REJECTED


@pytest.mark.parametrize("changed", [{"audio_digest": "other"}, {"repetitions": 2}], ids=["retake", "sheet row"])
def test_a_verdict_on_what_the_take_no_longer_is_counts_with_nobody(engine, session, changed):
    take_in_again(engine, session, **changed)
    found = counted(engine, session)
    found.pop("best set")
    assert found == NOTHING


def test_taken_in_again_as_it_was_a_take_keeps_its_verdict(engine, session):
    take_in_again(engine, session, remark="another remark")
    assert counted(engine, session) == REJECTED


def test_the_same_take_put_back_is_rejected_again(engine, session):
    take_in_again(engine, session, audio_digest="played again")
    take_in_again(engine, session)
    assert counted(engine, session) == REJECTED


def test_a_verdict_taken_back_counts_with_nobody(engine, session):
    with writing(engine) as db:
        assert [one.take for one in take_back(db, session, "anna", NOON, steps=2)] == ["T2", "T1"]
    found = counted(engine, session)
    found.pop("best set")
    assert found == NOTHING


def test_a_later_verdict_of_the_same_person_stands_alone(engine, session):
    give(engine, session, "T1", "accept")
    found = counted(engine, session)
    assert found == REJECTED | {
        "queue": "accept",
        "desk": {"anna": "accept"},
        "list": {"anna": "accept"},
        "neighbour": True,
        "consistency": {False},
        "pick-ups": {"accept"},
        "best set": found["best set"],
        "retraining": [(0.0, "any")],
    }
    with writing(engine) as db:
        take_back(db, session, "anna", NOON)
    assert counted(engine, session) == REJECTED


def test_a_dispute_is_one_for_every_reader(engine, session):
    give(engine, session, "T1", "accept", by="ben")
    found = counted(engine, session)
    assert found == REJECTED | {
        "queue": "accept",  # the last one given; the desk says that two differ
        "desk": {"anna": "reject", "ben": "accept"},
        "list": {"anna": "reject", "ben": "accept"},
        "disputed": True,
        "to hear": {"anna": False, "cleo": True},
        "consistency": {False},
        "pick-ups": {"disputed"},
        "best set": found["best set"],
        "retraining": [(0.5, "cracked")],
        "agreement": [["anna", "ben"]],
    }


def test_a_blind_repeat_settles_nothing_and_tells_of_its_judge(engine, session):
    give(engine, session, "T1", "accept", blind=True)
    assert counted(engine, session) == REJECTED | {"agreement": [["anna", "anna"]]}


def test_a_verdict_on_one_note_is_on_that_note_alone(engine, session):
    give(engine, session, "T3", "reject", note=2, reason="too long")
    with reading(engine) as db:
        assert next(entry.verdict for entry in queue(db, session) if entry.take == "T3") is None
        rejected = {(note.take, note.number) for note in notes_of_sessions(db, [session]) if note.rejected}
        assert rejected == {("T1", 1), ("T1", 2), ("T3", 2)}
        planned = {(note.take, note.number): note.verdict for note in plan_of(db, session).notes}
        assert (planned["T3", 1], planned["T3", 2]) == (None, "reject")
        own = find_take(db, session, "T2").id
        assert [(one.take, one.note) for one in neighbour_notes(db, own, 2)] == [("T2", 1), ("T3", 1)]
