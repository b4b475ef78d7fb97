"""Notes of several sessions side by side, on both databases."""

from datetime import UTC, date, datetime

import numpy as np
import pytest

from triage.domain.errors import StoreError
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.take import Take, Track
from triage.domain.verdict import Verdict
from triage.store.consistency import chosen_sessions, measured_files, notes_of_sessions, vectors
from triage.store.engine import reading, writing
from triage.store.takes import save_session, save_take
from triage.store.verdicts import record_verdict

NOW = datetime(2026, 3, 20, tzinfo=UTC)


def take(name, encoders=("small",), vector=1.0):
    notes = tuple(
        Note(n, float(n), n + 0.5, None, 60, 60, {"cents": 2.0}, {e: np.full(3, vector) for e in encoders})
        for n in (1, 2)
    )
    tracks = (Track("room", f"{name}_room.wav", 0), Track("close", f"{name}.wav", 1))
    return Take(name, name, "horn", "staccato", "mf", tracks=tracks, notes=notes, measured_mic="close", setup="A")


@pytest.fixture
def filled(engine):
    """Two sessions; the later day was taken in first."""
    ids = {}
    with writing(engine) as db:
        for name, day in (("second", 15), ("first", 14)):
            record = Session(name, f"/takes/{name}", date(2026, 3, day), 48_000, 442.0, "close")
            ids[name] = save_session(db, record)
            for label in ("T001", "T002"):
                save_take(db, ids[name], take(label))
    return engine, ids


def test_sessions_come_in_order_of_day_and_unknown_names_are_refused(filled):
    engine, _ = filled
    with reading(engine) as db:
        assert [one.name for one in chosen_sessions(db)] == ["first", "second"]
        assert [one.name for one in chosen_sessions(db, ["second", "second"])] == ["second"]
        with pytest.raises(StoreError, match="no session 'secnd'; nearest: second"):
            chosen_sessions(db, ["secnd"])


def test_every_note_comes_with_its_day_take_and_set_up(filled):
    engine, ids = filled
    with reading(engine) as db:
        found = notes_of_sessions(db, list(ids.values()))
    assert [(n.session, n.take, n.number) for n in found] == [
        (s, t, n) for s in ("first", "second") for t in ("T001", "T002") for n in (1, 2)
    ]
    assert (found[0].day, found[0].setup, found[0].mic) == (date(2026, 3, 14), "A", "close")
    assert found[0].measurements["cents"] == 2.0 and found[0].measurements["length_s"] is None


def test_the_last_word_on_a_note_or_its_take_decides(filled):
    engine, ids = filled
    with writing(engine) as db:
        for word, note in (("reject", None), ("accept", 1)):
            record_verdict(db, ids["first"], Verdict("T001", word, "anna", NOW, note))
        for word in ("reject", "accept"):
            record_verdict(db, ids["first"], Verdict("T002", word, "anna", NOW, 2))
        found = notes_of_sessions(db, [ids["first"]])
    assert [(n.take, n.number) for n in found if n.rejected] == [("T001", 2)]


def test_vectors_are_those_of_the_encoder_that_saw_most_and_evidence_is_none(filled):
    engine, ids = filled
    with writing(engine) as db:
        save_take(db, ids["first"], take("T003", ("large", "large/evidence"), vector=5.0))
        found = vectors(db, list(ids.values()))
        only = vectors(db, [ids["first"]])
    assert len(found) == 8 and {float(v[0]) for v in found.values()} == {1.0}
    assert len(only) == 4
    with reading(engine) as db:
        assert vectors(db, []) == {}


def test_the_microphone_that_notes_were_measured_on_is_where_to_hear_them(filled):
    engine, ids = filled
    with reading(engine) as db:
        one = notes_of_sessions(db, [ids["second"]])[0]
        assert measured_files(db, [one.take_id]) == {one.take_id: ("/takes/second", "T001.wav", 1)}
        assert measured_files(db, []) == {}
