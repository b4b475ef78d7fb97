"""The plan and people's choices in the store, on both databases; and the clock of a take."""

from datetime import UTC, datetime, timedelta

import pytest

from triage.domain.errors import StoreError
from triage.domain.note import Note
from triage.domain.sheet_row import SheetRow
from triage.domain.take import Take
from triage.domain.verdict import NoteChoice
from triage.store.analysed_takes import analysed_takes
from triage.store.changes import changes
from triage.store.choices import kept_choices, record_choice
from triage.store.engine import reading, writing
from triage.store.plan import save_sheet, sheet
from triage.store.takes import correct_rows, drop_takes, save_take, takes

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
ROWS = (SheetRow("T2", "Hörner", "staccato", "ff", (53, 54), 3, "tired", "by the wall", "none"), SheetRow("T1"))


@pytest.fixture
def one_take(engine, session_id):
    with writing(engine) as db:
        notes = (Note(1, 1, 2, pitch_midi=53, sheet_midi=53), Note(2, 3, 4, pitch_midi=54))
        save_take(db, session_id, Take("T001", "f", notes=notes))
        save_take(db, session_id, Take("T002", "f"))
    return session_id


def test_a_take_sheet_is_kept_in_its_order_and_replaced_whole(engine, session_id):
    for rows in (ROWS, ROWS[:1], ()):
        with writing(engine) as db:
            save_sheet(db, session_id, rows)
        with reading(engine) as db:
            assert sheet(db, session_id) == rows


def test_the_last_choice_on_a_note_counts(engine, one_take):
    given = [
        NoteChoice("T001", 1, True, "anna", NOON),
        NoteChoice("T001", 2, True, "ben", NOON, 2),
        NoteChoice("T001", 1, False, "anna", NOON + timedelta(hours=1)),
        NoteChoice("T001", 1, True, "ben", NOON + timedelta(hours=2), 3),
    ]
    with writing(engine) as db:
        for one in given:
            record_choice(db, one_take, one)
    with reading(engine) as db:
        found = kept_choices(db, one_take)
        assert changes(db, one_take)["verdicts"] == 4  # pages that show the session notice each
    kept = [(one.note, one.by, one.repetition, one.pitch_midi) for one in found]
    assert kept == [(1, "ben", 3, 53), (2, "ben", 2, 54)]
    assert found[0].at == NOON + timedelta(hours=2)


@pytest.mark.parametrize(
    "given, error",
    [
        (NoteChoice("T001", 3, True, "anna", NOON), "take T001 has no note 3: its notes are 1 to 2"),
        (NoteChoice("T002", 1, True, "anna", NOON), "no notes were found in it"),
        (NoteChoice("T01", 1, True, "anna", NOON), "no take 'T01'; nearest"),
        (NoteChoice("T001", 1, True, " ", NOON), "--by"),
        (NoteChoice("T001", 1, True, "anna", NOON, 0), "count from 1"),
    ],
)
def test_a_choice_that_cannot_be_right_is_refused(engine, one_take, given, error):
    with pytest.raises(StoreError, match=error), writing(engine) as db:
        record_choice(db, one_take, given)


def test_a_take_that_a_person_chose_from_is_not_forgotten(engine, one_take):
    with writing(engine) as db:
        record_choice(db, one_take, NoteChoice("T001", 1, True, "anna", NOON))
        assert drop_takes(db, one_take, []) == ("T001",)
    with reading(engine) as db:
        assert [take.name for take in takes(db, one_take)] == ["T001"]
        assert len(kept_choices(db, one_take)) == 1


def test_a_take_keeps_the_clock_of_its_hall_and_its_seats(engine, session_id):
    at = datetime(2026, 3, 14, 23, 59, 58)
    record = Take("T1", "f", setup="by the wall", recorded_at=at, recorded_from="bext")
    with writing(engine) as db:
        save_take(db, session_id, record)
    with reading(engine) as db:
        (found,) = takes(db, session_id)
    assert (found.recorded_at, found.recorded_from, found.setup) == (at, "bext", "by the wall")
    assert found.recorded_at.tzinfo is None


def test_a_corrected_row_says_that_a_take_is_to_be_without_natural_sounds(engine, session_id):
    with writing(engine) as db:
        for name in ("T1", "T2"):
            save_take(
                db, session_id, Take(name, "f", "", "", "", "", repetitions=1, without_natural_sounds=name == "T2")
            )
        rows = [SheetRow("T1", natural_sounds="none"), SheetRow("T2", natural_sounds="none")]
        assert correct_rows(db, session_id, rows) == 1
        assert [one.without_natural_sounds for one in analysed_takes(db, session_id)] == [True, True]
        assert correct_rows(db, session_id, [SheetRow("T1", natural_sounds="usual"), rows[1]]) == 1
        assert [one.without_natural_sounds for one in takes(db, session_id)] == [False, True]
