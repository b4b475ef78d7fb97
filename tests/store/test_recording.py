"""Sessions, takes and tracks come back as they went in, and what is new replaces what was there."""

from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import DatabaseError

from tests.verdicts import given_verdicts
from triage.domain.errors import StoreError
from triage.domain.hit import Hit
from triage.domain.judgement import Judgement
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.spot import Spot
from triage.domain.take import NoiseFloor, Take, Track
from triage.domain.verdict import Verdict
from triage.store import tables
from triage.store.engine import reading, writing
from triage.store.hits import floors, hits
from triage.store.notes import embeddings, notes
from triage.store.ranking import save_judgement
from triage.store.takes import (
    drop_takes,
    find_session,
    find_take,
    fingerprints,
    save_session,
    save_take,
    sessions,
    takes,
    tracks,
)
from triage.store.verdicts import record_verdict

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


def a_session(name: str = "a") -> Session:
    return Session(name, "folder", date(2026, 3, 14), 96_000, 442.5, "close")


def a_take(name: str = "T001", fingerprint: str = "f1", n_notes: int = 2) -> Take:
    vector = np.arange(4, dtype=np.float16) / 8
    return Take(
        name=name,
        fingerprint=fingerprint,
        instrument="horn",
        expected_pitches=(53, 54),
        repetitions=1,
        duration_s=41.25,
        tracks=(Track("close", f"{name}_close.wav", 0, 48_000, 24, 2_000_000, 6_000_044, 1 << 60),),
        notes=tuple(
            Note(n, n - 1.0, n - 0.5, None, 52 + n, None, {"cents": 3.5 * n}, {"small-1": vector + n})
            for n in range(1, n_notes + 1)
        ),
        hits=(Hit("creak", 0.6, 0.8, "room", ("room", "close"), -52.0, 11.0, 0.9, 1),),
        floors=(NoiseFloor("close", -78.5),),
    )


def count(db, table) -> int:
    return db.scalar(select(func.count()).select_from(table))


def test_a_session_comes_back_as_it_went_in(engine):
    berlin = timezone(timedelta(hours=1))
    with writing(engine) as db:
        save_session(db, a_session(), taken_in_at=datetime(2026, 3, 14, 13, tzinfo=berlin))
    with reading(engine) as db:
        found = find_session(db, "a")
    assert (found.date, found.sample_rate_hz, found.a4_hz) == (date(2026, 3, 14), 96_000, 442.5)
    assert (found.taken_in_at, found.model, found.complete) == (NOON, None, None)


def test_the_session_taken_in_last_is_the_default_also_when_it_is_an_old_one_again(engine):
    with writing(engine) as db:
        first = save_session(db, a_session("a"), NOON)
        save_session(db, a_session("b"), NOON + timedelta(hours=1))
        assert find_session(db).name == "b"
        assert save_session(db, a_session("a"), NOON + timedelta(hours=2)) == first
        assert find_session(db).name == "a"
        assert [found.name for found in sessions(db)] == ["a", "b"]


def test_an_unknown_session_or_take_names_the_nearest(engine, session_id):
    with writing(engine) as db:
        save_take(db, session_id, a_take("T012"))
    with reading(engine) as db:
        with pytest.raises(StoreError, match="no session 'mill-day2'; nearest: mill-day2-b"):
            find_session(db, "mill-day2")
        with pytest.raises(StoreError, match="no take 'T12'; nearest: T012"):
            find_take(db, session_id, "T12")
        with pytest.raises(StoreError, match="no similar name; takes: T012"):
            find_take(db, session_id, "zzz")


def test_a_store_without_sessions_says_what_to_do(engine):
    with reading(engine) as db, pytest.raises(StoreError, match="triage intake FOLDER"):
        find_session(db)


def test_a_take_comes_back_as_it_went_in(engine, session_id):
    with writing(engine) as db:
        take_id = save_take(db, session_id, a_take())
    with reading(engine) as db:
        found = find_take(db, session_id, "T001")
        assert (found.id, found.expected_pitches, found.duration_s) == (take_id, (53, 54), 41.25)
        assert (found.articulation, found.problem, found.analysed, found.rank) == (None, None, True, None)
        assert tracks(db, take_id) == a_take().tracks
        first, second = notes(db, session_id)
        assert (first.take, first.number, first.pitch_midi, second.measurements["cents"]) == ("T001", 1, 53, 7.0)
        assert (hits(db, session_id)[0].mics, floors(db, session_id)[0].level_dbfs) == (("room", "close"), -78.5)


def test_saving_a_take_again_replaces_what_was_measured_and_never_the_verdicts(engine, session_id):
    given = Verdict("T001", "reject", "anna", NOON, note=2, reason="cracked")
    with writing(engine) as db:
        take_id = save_take(db, session_id, a_take())
        save_take(db, session_id, a_take("T002"))
        record_verdict(db, session_id, given)
        spot = Spot("T001", 0.0, 0.5, 1, "length", 0.9, "long")
        save_judgement(db, session_id, Judgement("m", spots=(spot,)))
    with writing(engine) as db:
        assert save_take(db, session_id, a_take(fingerprint="f2", n_notes=1)) == take_id
    with reading(engine) as db:
        assert [note.number for note in notes(db, session_id, "T001")] == [1]
        assert len(notes(db, session_id, "T002")) == 2
        assert embeddings(db, session_id, "small-1")[0] == (("T001", 1), ("T002", 1), ("T002", 2))
        assert len(hits(db, session_id, "T001")) == len(floors(db, session_id)) - 1 == 1
        assert count(db, tables.spot) == 0  # it belonged to the old sound
        assert given_verdicts(db, session_id) == (given,)
        assert fingerprints(db, session_id) == {"T001": "f2", "T002": "f1"}


def test_a_take_that_cannot_be_saved_stays_as_it_was_even_when_work_goes_on(engine, session_id):
    twice = a_take(fingerprint="f2")
    twice = Take(**vars(twice) | {"notes": (twice.notes[0], twice.notes[0])})
    with writing(engine) as db:
        save_take(db, session_id, a_take())
        with pytest.raises(DatabaseError):
            save_take(db, session_id, twice)
        save_take(db, session_id, a_take("T002"))
    with reading(engine) as db:
        assert fingerprints(db, session_id) == {"T001": "f1", "T002": "f1"}
        assert len(notes(db, session_id, "T001")) == 2
        assert len(tracks(db, find_take(db, session_id, "T001").id)) == 1


def test_a_measurement_without_a_column_is_refused_by_name(engine, session_id):
    odd = Take("T001", "f", notes=(Note(1, 0.0, 1.0, measurements={"centz": 1.0}),))
    with writing(engine) as db, pytest.raises(StoreError, match="T001, note 1: no column for measurement 'centz'"):
        save_take(db, session_id, odd)


def test_a_take_of_an_unknown_session_is_refused(engine):
    with writing(engine) as db, pytest.raises(StoreError, match="no session with id 7"):
        save_take(db, 7, a_take())


def test_numpy_numbers_and_odd_file_names_can_be_stored(engine, session_id):
    # A file name that is not UTF-8 reaches Python with lone surrogates (PEP 383), which no database takes.
    odd = Track("close", "caf\udce9\0.wav", np.int64(1), np.int32(48_000), mtime_ns=np.int64(1 << 60))
    note = Note(np.int64(1), np.float32(0.5), np.float64(1.0), measurements={"cents": np.float32(0.25)})
    take = Take("T001", "f", expected_pitches=(np.int64(53),), analysed=np.True_, tracks=(odd,), notes=(note,))
    with writing(engine) as db:
        take_id = save_take(db, session_id, take)
    with reading(engine) as db:
        (found,) = tracks(db, take_id)
        assert (found.path, found.channel, found.mtime_ns) == ("caf\\udce9\\x00.wav", 1, 1 << 60)
        assert notes(db, session_id)[0].measurements["cents"] == 0.25


def test_takes_come_in_pages_in_order_of_name(engine, session_id):
    with writing(engine) as db:
        for n in (3, 1, 5, 2, 4):
            save_take(db, session_id, a_take(f"T{n:03}"))
    with reading(engine) as db:
        pages = [takes(db, session_id, limit=2, offset=offset) for offset in (0, 2, 4)]
        assert [[take.name for take in page] for page in pages] == [["T001", "T002"], ["T003", "T004"], ["T005"]]


def test_takes_that_are_gone_are_forgotten_but_not_their_verdicts(engine, session_id):
    with writing(engine) as db:
        for name in ("T001", "T002", "T003"):
            save_take(db, session_id, a_take(name))
        record_verdict(db, session_id, Verdict("T003", "accept", "anna", NOON))
        assert drop_takes(db, session_id, keep={"T001"}) == ("T003",)
    with reading(engine) as db:
        assert [take.name for take in takes(db, session_id)] == ["T001", "T003"]
        assert "no longer in the folder" in find_take(db, session_id, "T003").problem
        assert fingerprints(db, session_id) == {"T001": "f1"}  # T003 is read again should it come back
        assert len(given_verdicts(db, session_id)) == 1
        # What belonged to the forgotten take went with it, as the tables say.
        assert count(db, tables.note) == 4 and count(db, tables.embedding) == 4
        assert count(db, tables.hit) == count(db, tables.track) == count(db, tables.floor) == 2
