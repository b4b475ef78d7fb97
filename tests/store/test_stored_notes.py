"""Measurements and embeddings come back as they went in, what is unknown as None."""

import numpy as np
import pytest

from triage.domain.measurements import MEASUREMENTS
from triage.domain.note import Note
from triage.domain.take import Take
from triage.store.engine import reading, writing
from triage.store.notes import embeddings, notes
from triage.store.takes import save_take


def save(engine, session_id, *records: Note, name: str = "T001") -> None:
    with writing(engine) as db:
        save_take(db, session_id, Take(name, "f", "horn", "staccato", "ff", notes=records))


@pytest.mark.parametrize("unknown", [float("nan"), float("-inf"), np.float32("nan"), None])
def test_what_cannot_be_told_comes_back_as_none(engine, session_id, unknown):
    save(engine, session_id, Note(1, 0.0, 1.0, unknown, measurements={"cents": unknown, "f0_hz": 440.0}))
    with reading(engine) as db:
        (note,) = notes(db, session_id)
    assert (note.ring_end_s, note.measurements["cents"], note.measurements["f0_hz"]) == (None, None, 440.0)


def test_every_measurement_has_its_own_column(engine, session_id):
    values = {name: n + 0.5 for n, name in enumerate(MEASUREMENTS)}
    save(engine, session_id, Note(1, 0.0, 1.0, measurements=values))
    with reading(engine) as db:
        assert notes(db, session_id)[0].measurements == values


def test_standard_errors_come_back_where_they_are_known(engine, session_id):
    save(engine, session_id, Note(1, 0.0, 1.0, errors={"cents": 1.23456, "level_dbfs": 0.5}), Note(2, 1.0, 2.0))
    with reading(engine) as db:
        assert [note.errors for note in notes(db, session_id)] == [{"cents": 1.23, "level_dbfs": 0.5}, {}]


def test_a_note_comes_with_the_cell_of_its_take(engine, session_id):
    save(engine, session_id, Note(1, 0.25, 1.5, 2.0, 53, 54))
    with reading(engine) as db:
        (note,) = notes(db, session_id)
    assert (note.take, note.instrument, note.articulation, note.dynamic) == ("T001", "horn", "staccato", "ff")
    assert (note.start_s, note.end_s, note.ring_end_s, note.pitch_midi, note.sheet_midi) == (0.25, 1.5, 2.0, 53, 54)


def test_notes_come_in_pages_in_order_of_take_and_number(engine, session_id):
    for name in ("T002", "T001"):
        save(engine, session_id, *(Note(n, n, n + 1) for n in (2, 10, 1)), name=name)
    with reading(engine) as db:
        whole = [(note.take, note.number) for note in notes(db, session_id)]
        page = notes(db, session_id, limit=3, offset=2)
    assert whole == [("T001", 1), ("T001", 2), ("T001", 10), ("T002", 1), ("T002", 2), ("T002", 10)]
    assert [(note.take, note.number) for note in page] == whole[2:5]


@pytest.mark.parametrize("kind, stored", [("f2", "f2"), ("f4", "f4"), (">f4", "f4"), ("f8", "f4")])
def test_embeddings_come_back_bit_for_bit_in_the_kind_they_are_kept(engine, session_id, kind, stored):
    vector = np.random.default_rng(1).normal(size=96).astype(kind)
    save(engine, session_id, Note(1, 0, 1, embeddings={"small-1": vector, "other": vector[:3]}))
    with reading(engine) as db:
        names, vectors = embeddings(db, session_id, "small-1")
        assert embeddings(db, session_id, "other")[1].shape == (1, 3)
    assert (names, vectors.shape, vectors.dtype) == ((("T001", 1),), (1, 96), np.float32)
    np.testing.assert_array_equal(vectors[0], vector.astype(stored).astype("f4"))


def test_an_encoder_that_saw_nothing_gives_no_rows(engine, session_id):
    save(engine, session_id, Note(1, 0, 1))
    with reading(engine) as db:
        names, vectors = embeddings(db, session_id, "small-1")
    assert names == () and vectors.shape == (0, 0)
