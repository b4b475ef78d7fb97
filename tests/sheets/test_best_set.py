"""The notes to keep, from the store to the list: candidates, choices of people, numbers, consistency."""

from datetime import UTC, datetime

import numpy as np
import pytest

from tests.planned import NOON, PlannedTake, fill
from triage.domain.verdict import NoteChoice, Verdict
from triage.sheets.best_set import keep_set
from triage.store.choices import kept_choices, record_choice
from triage.store.engine import open_store, reading, writing
from triage.store.takes import save_take


@pytest.fixture
def engine(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    yield engine
    engine.dispose()


def kept(engine, session_id=None, **options):
    with reading(engine) as db:
        return keep_set(db, session_id, **options)


def places(found):
    return [(note.take, note.note, note.repetition) for note in found.kept]


def choose(engine, session_id, take, note, kept=True, repetition=None):
    with writing(engine) as db:
        record_choice(db, session_id, NoteChoice(take, note, kept, "anna", datetime.now(UTC), repetition))


def long(**notes):
    return {int(n[1:]): {"length_s": seconds} for n, seconds in notes.items()}


def test_the_note_that_fits_its_neighbours_is_kept(engine):
    # Three keys, each twice: 0.40 s everywhere but for one of the middle key.
    fill(engine, [PlannedTake("T1", (50, 51, 52), repetitions=2, measured=long(n3=0.8))])
    (group,) = kept(engine, repetitions=1).groups
    assert [(note.pitch, note.note) for note in group.kept][1] == ("D#3", 4)
    middle = group.kept[1]
    assert (middle.next_take, middle.next_note) == ("T1", 3) and middle.next_costs > 1
    assert group.uneven < group.uneven_first


def test_rejected_wrong_and_broken_notes_are_never_kept_unclean_ones_only_in_need(engine):
    reject = [Verdict("T1", "reject", "anna", NOON, 1)]
    fill(engine, [PlannedTake("T1", (50,), repetitions=3, cents={2: 100.0}, doubts={3: 0.7})], verdicts=reject)
    (note,) = kept(engine, repetitions=1).kept
    assert (note.note, note.clean) == (3, False)
    (group,) = kept(engine, repetitions=3).groups
    assert (len(group.kept), group.wanted, group.candidates) == (1, 3, 1)


def test_an_accepted_note_costs_no_doubt(engine):
    fill(
        engine,
        [PlannedTake("T1", (50,), repetitions=2, doubts={1: 0.19, 2: 0.1})],
        verdicts=[Verdict("T1", "accept", "anna", NOON, 1)],
    )
    (note,) = kept(engine, repetitions=1).kept
    assert (note.note, note.own) == (1, 0.0)


def test_a_persons_choice_stays_whatever_it_costs_until_it_is_freed(engine):
    session_id = fill(engine, [PlannedTake("T1", (50, 51, 52), repetitions=2, measured=long(n3=0.8))])
    choose(engine, session_id, "T1", 3)
    chosen = kept(engine, repetitions=1).kept[1]
    assert (chosen.note, chosen.chosen, chosen.next_costs) == (3, True, None)
    choose(engine, session_id, "T1", 3, kept=False)
    assert kept(engine, repetitions=1).kept[1].note == 4
    with reading(engine) as db:
        assert kept_choices(db, session_id) == ()


def test_a_chosen_repetition_is_kept_under_its_number(engine):
    session_id = fill(engine, [PlannedTake("T1", (50, 51), repetitions=2)])
    choose(engine, session_id, "T1", 1, repetition=2)
    assert ("T1", 1, 2) in places(kept(engine)) and ("T1", 2, 1) in places(kept(engine))


def test_a_rejected_note_that_a_person_chose_is_kept(engine):
    session_id = fill(
        engine, [PlannedTake("T1", (50,), repetitions=2)], verdicts=[Verdict("T1", "reject", "ben", NOON, 1)]
    )
    choose(engine, session_id, "T1", 1)
    assert places(kept(engine, repetitions=1)) == [("T1", 1, 1)]


def test_a_choice_whose_note_has_become_another_is_said_and_left_out(engine):
    session_id = fill(engine, [PlannedTake("T1", (50, 51))])
    choose(engine, session_id, "T1", 2)
    with writing(engine) as db:
        save_take(db, session_id, PlannedTake("T1", (50, 55)).record())
    found = kept(engine)
    assert not any(note.chosen for note in found.kept)
    assert found.warnings == (
        "T1 note 2: anna chose it as D#3, now it is G3; choose again, or `triage keep --free T1:2`",
    )


def test_the_same_performance_copied_is_not_two_repetitions(engine):
    rng = np.random.default_rng(0)
    first, third = rng.normal(size=8), rng.normal(size=8)
    vectors = {1: first, 2: first, 3: third}
    measured = long(n3=0.42)
    fill(engine, [PlannedTake("T1", (50,), repetitions=3, measured=measured, vectors=vectors)])
    assert 3 in [note.note for note in kept(engine, repetitions=2).kept]


def test_notes_of_another_microphone_are_not_compared(engine):
    fill(engine, [PlannedTake("T1", (50, 51)), PlannedTake("T2", (50, 51), measured_mic="room")])
    assert [note.take for note in kept(engine, repetitions=1).kept] == ["T1", "T1"]


def test_sessions_are_chosen_from_together_or_alone(engine):
    first = fill(engine, [PlannedTake("T1", (50,))], "day1", 14)
    fill(engine, [PlannedTake("T1", (50,)), PlannedTake("T2", (51,))], "day2", 15)
    assert len(kept(engine, first).kept) == 1
    found = kept(engine, repetitions=2)
    assert [(note.session, note.pitch_midi) for note in found.kept] in (
        [("day1", 50), ("day2", 50), ("day2", 51)],
        [("day2", 50), ("day1", 50), ("day2", 51)],
    )


def test_nothing_recorded_is_nothing_kept(engine):
    fill(engine, [], planned=[PlannedTake("T1", (50,))])
    assert kept(engine).groups == ()


@pytest.mark.parametrize("seed", range(5))
def test_no_choice_is_said_to_look_worse_than_none_at_all(engine, seed):
    rng = np.random.default_rng(seed)
    measured = {n: {"length_s": float(rng.uniform(0.2, 0.9)), "cents": 0.0} for n in range(1, 13)}
    doubts = {n: float(rng.uniform(0.0, 0.4)) for n in range(1, 13)}
    fill(engine, [PlannedTake("T1", (50, 51, 52), repetitions=4, measured=measured, doubts=doubts)])
    (group,) = kept(engine, repetitions=2).groups
    assert group.gain is not None and 0.0 <= group.gain <= 1.0
    assert all(one.costs >= -1e-9 for one in group.candidate_notes)
    assert sum(one.repetition is not None for one in group.candidate_notes) == len(group.kept)
    (everything,) = kept(engine, repetitions=4).groups
    assert everything.gain is None  # nothing to choose from
