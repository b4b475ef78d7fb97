"""What `triage check` looks at: a store filled by this tool is sound, and each thing broken by hand is named.

Broken by SQL of our own, past every guard of the store's functions; the planted fault is the known answer.
"""

import sqlite3
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import text

from tests import noisy
from triage.domain.verdict import NoteChoice, Verdict
from triage.ranking.session import rank_session
from triage.store.choices import record_choice
from triage.store.engine import open_store, reading, writing
from triage.store.models import StoredModel, add_model, use_model
from triage.store.takes import drop_takes, find_session, save_take
from triage.store.verdicts import record_verdict, take_back
from triage.transfer.store_check import NOTE, SOUND, UNSOUND, look_over

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
TAKE = "(SELECT id FROM take WHERE name = 'T003')"


@contextmanager
def reviewed_store(address):
    """Give a ranked session of twelve takes with verdicts of two people, one taken back."""
    with noisy.ranked_store(address) as (engine, session):
        with writing(engine) as db:
            for by, word in (("anna", "accept"), ("ben", "reject"), ("anna", "unsure")):
                record_verdict(db, session.id, Verdict("T003", word, by, NOON, note=2 if by == "ben" else None))
            take_back(db, session.id, "anna", NOON)
            record_choice(db, session.id, NoteChoice("T004", 2, True, "anna", NOON))
        yield engine, session


@pytest.fixture
def filled(address):
    with reviewed_store(address) as (engine, session):
        yield engine, session


@pytest.fixture
def lone(tmp_path):
    """The same, on SQLite alone: what does not go by the database need not be asked of both."""
    with reviewed_store(f"sqlite:///{tmp_path / 'store.db'}") as (engine, session):
        yield engine, session


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def unbroken(request, tmp_path_factory, postgres):
    """The same, for tests that put everything back."""
    sqlite = f"sqlite:///{tmp_path_factory.mktemp('unbroken') / 'store.db'}"
    with reviewed_store(sqlite if request.param == "sqlite" else postgres.empty_database()) as (engine, _):
        yield engine


def seen(db, now=NOON + timedelta(days=1)):
    """Return state and lines of everything that is not sound."""
    return {check.what: (check.state, *check.lines) for check in look_over(db, now=now) if check.state != SOUND}


def found(engine, now=NOON + timedelta(days=1)):
    with reading(engine) as db:
        return seen(db, now)


def found_when_broken(engine, *commands):
    """Run SQL past the guards that the database has, look, and put everything back."""
    with engine.connect() as db:
        if db.dialect.name == "sqlite":
            db = db.execution_options(foreign_keys="OFF", writes=True)
        work = db.begin()
        if db.dialect.name == "postgresql":
            db.execute(text("SET LOCAL session_replication_role = replica"))
        for command in commands:
            db.execute(text(command))
        shown = seen(db)
        work.rollback()
    return shown


def break_it(engine, *commands):
    """Run SQL past the guards that the database has."""
    with engine.connect() as db:
        if db.dialect.name == "sqlite":
            db = db.execution_options(foreign_keys="OFF", writes=True)
        with db.begin():
            if db.dialect.name == "postgresql":
                db.execute(text("SET LOCAL session_replication_role = replica"))
            for command in commands:
                db.execute(text(command))


def test_a_store_that_only_this_tool_wrote_to_is_sound(filled):
    engine, _ = filled
    (only,) = found(engine).items()  # the session's folder is an invented one
    assert only == ("recordings are where they were", (NOTE, "session mill-day2-b: mill is not on this machine"))


@pytest.mark.parametrize(
    "what, line, commands",
    [
        ("every row has its owner", "rows of track belong to no take", ["DELETE FROM take WHERE name = 'T009'"]),
        (
            "every row has its owner",
            "rows of retraction belong to no verdict",
            ["DELETE FROM verdict WHERE verdict = 'unsure'"],
        ),
        (
            "no take is stored by half",
            "1 take analysed without a track: mill-day2-b: T003",
            [f"DELETE FROM track WHERE take_id = {TAKE}"],
        ),
        (
            "no take is stored by half",
            "1 take with notes lacking among the others: mill-day2-b: T003",
            [f"DELETE FROM note WHERE number = 4 AND take_id = {TAKE}"],
        ),
        (
            "no take is stored by half",
            "1 take with a note that ends before it starts: mill-day2-b: T003",
            [f"UPDATE note SET end_s = 0 WHERE number = 2 AND take_id = {TAKE}"],
        ),
        (
            "ranks run without gaps",
            "1 session with gaps or doubles",
            ["UPDATE take SET rank = 40 WHERE name = 'T003'"],
        ),
        ("ranks run without gaps", "1 session with gaps or doubles", ["UPDATE take SET rank = 1"]),
        (
            "ranks run without gaps",
            "1 take with a rank and no doubt: mill-day2-b: T003",
            ["UPDATE take SET doubt = NULL WHERE name = 'T003'"],
        ),
        ("counts agree", "no counter of changes for verdicts", ["DELETE FROM change WHERE what = 'verdicts'"]),
        ("counts agree", "counts 13 complete takes of 12", ["UPDATE session SET complete = 13"]),
        (
            "verdicts",
            "1 take whose state is not what its verdicts amount to: mill-day2-b: T003",
            ["UPDATE take SET disputed = NOT disputed WHERE name = 'T003'"],
        ),
        (
            "verdicts",
            "1 verdict taken back by somebody else: mill-day2-b: T003",
            ["UPDATE retraction SET by = 'ben'"],
        ),
        (
            "hits, spots and pictures point at what is there",
            "1 hit on a note that is not there: mill-day2-b: T003",
            [f"UPDATE hit SET note = 99 WHERE kind = 'creak' AND take_id = {TAKE}"],
        ),
        (
            "hits, spots and pictures point at what is there",
            "1 floor on a microphone that is not there",
            [f"UPDATE floor SET mic = 'gone' WHERE mic = 'room' AND take_id = {TAKE}"],
        ),
        (
            "models open and are what was made",
            "model v9 was put to use and is not there",
            ["INSERT INTO model_use (id, version, at, by) VALUES (1, 'v9', '2026-03-14 12:00:00', 'anna')"],
        ),
    ],
)
def test_what_is_broken_is_named_and_where(unbroken, what, line, commands):
    state, *lines = found_when_broken(unbroken, *commands)[what]
    assert state == UNSOUND and any(line in one for one in lines), lines


def test_vectors_that_lack_or_are_torn_are_named(engine, session_id):
    vector = {"ear": np.ones(4, np.float32)}
    whole = noisy.take(1)
    notes = [replace(note, embeddings=vector) for note in whole.notes]
    with writing(engine) as db:
        save_take(db, session_id, replace(whole, notes=(replace(notes[0], embeddings={}), *notes[1:])))
        save_take(db, session_id, replace(noisy.take(2), notes=tuple(notes)))
    break_it(engine, "UPDATE embedding SET dimension = 5 WHERE number = 3")
    _, *lines = found(engine)["no take is stored by half"]
    assert "1 take with a vector lacking for some of the notes: mill-day2-b: T001" in lines
    assert "2 takes with a vector of the wrong length: mill-day2-b: T001, mill-day2-b: T002" in lines


def test_a_model_that_was_changed_in_the_store_is_named(lone):
    engine, _ = lone
    with writing(engine) as db:
        add_model(db, StoredModel("v1", NOON, "anna", "ear", "0" * 64, {}), b"numbers")
    break_it(engine, "INSERT INTO model_use (id, version, at, by) VALUES (1, 'v1', '2026-03-14 12:00:00', 'anna')")
    state, line = found(engine)["models open and are what was made"]
    assert state == UNSOUND and "model v1 was changed since it was made" in line


def test_a_take_analysed_and_not_ranked_is_only_a_note_and_no_gap(filled):
    engine, session = filled
    with writing(engine) as db:
        save_take(db, session.id, replace(noisy.take(5), fingerprint="new"))
    state, line = found(engine)["nothing waits"]
    assert state == NOTE and line.startswith("1 take analysed and not ranked yet") and "T005" in line
    assert "ranks run without gaps" not in found(engine)


def test_takes_that_go_leave_no_gap_even_before_the_next_ranking(filled):
    engine, session = filled
    with writing(engine) as db:
        drop_takes(db, session.id, ["T001", "T003", "T004", "T007", "T012"])
    assert "ranks run without gaps" not in found(engine)


def test_verdicts_on_notes_that_a_new_intake_no_longer_finds_are_a_note(lone):
    engine, session = lone
    with writing(engine) as db:
        for number in (3, 4):
            save_take(db, session.id, replace(noisy.take(number), notes=noisy.take(number).notes[:1], hits=()))
    rank_session(engine, session.id, session.a4_hz)
    state, *lines = found(engine)["nothing waits"]
    assert state == NOTE and len(lines) == 2
    assert lines[0].startswith("1 verdict on a note") and lines[1].startswith("1 choice on a note")


def test_a_session_judged_by_another_model_than_the_one_in_use_is_a_note(lone, monkeypatch):
    engine, _ = lone
    monkeypatch.setattr("triage.ranking.model_in_use.load_version", lambda db, version: None)
    with writing(engine) as db:
        add_model(db, StoredModel("v1", NOON, "anna", "ear", sha256(b"x").hexdigest(), {}), b"x")
        use_model(db, "v1", NOON, "anna")
    state, line = found(engine)["judged by the model in use"]
    assert state == NOTE and "v1 is in use" in line


def test_a_clock_that_jumped_is_a_note_and_the_last_word_still_counts(filled):
    engine, session = filled
    with writing(engine) as db:
        record_verdict(db, session.id, Verdict("T006", "reject", "anna", NOON + timedelta(days=9)))
        record_verdict(db, session.id, Verdict("T006", "accept", "anna", NOON - timedelta(days=9)))
    state, line = found(engine)["dates"]
    assert state == NOTE and line.startswith("verdicts: 1 dated after now, 1 before an earlier one")
    with reading(engine) as db:
        row = db.execute(text("SELECT settled FROM take WHERE name = 'T006'")).one()
    assert row.settled and "verdicts" not in found(engine)


def test_recordings_that_went_or_changed_are_counted(lone, tmp_path):
    engine, _ = lone
    break_it(engine, "UPDATE track SET size_bytes = 3")
    audio = tmp_path / "mill" / "audio"
    audio.mkdir(parents=True)
    for number in range(1, 12):
        for mic in ("close", "room"):
            (audio / f"T{number:03}_{mic}.wav").write_bytes(b"abc" if number > 1 else b"abcd")
    with reading(engine) as db:
        last = list(look_over(db, [tmp_path]))[-1]
    assert last.state == NOTE and last.lines == (
        "session mill-day2-b: 2 of 24 files are not there, the first is audio/T012_close.wav",
        "session mill-day2-b: 2 of 24 files are of another size than when they were read, "
        "the first is audio/T001_close.wav",
    )


def test_a_torn_page_of_sqlite_is_found(tmp_path):
    path = Path(tmp_path) / "store.db"
    with noisy.ranked_store(f"sqlite:///{path}") as (engine, _):
        with engine.connect() as db:
            db.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    with sqlite3.connect(path) as raw:
        (root,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_hit_take_id'").fetchone()
        (size,) = raw.execute("PRAGMA page_size").fetchone()
    raw.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * size + size - 60)
        file.write(b"\x00" * 40)
    engine = open_store(f"sqlite:///{path}")
    ((what, (state, *lines)),) = found(engine).items()  # the rest would be guesses
    engine.dispose()
    assert what == "the database itself" and state == UNSOUND and any("ix_hit_take_id" in line for line in lines)


def test_an_index_that_postgresql_does_not_trust_is_found(postgres):
    address = postgres.empty_database()
    with noisy.ranked_store(address) as (engine, _):
        break_it(engine, "UPDATE pg_index SET indisvalid = false WHERE indexrelid = 'ix_hit_take_id'::regclass")
        state, line = found(engine)["the database itself"]
    assert state == UNSOUND and line == "index ix_hit_take_id is not valid"


def test_the_session_is_left_as_it_was(lone):
    engine, _ = lone
    with reading(engine) as db:
        before = find_session(db), db.execute(text("SELECT sum(number) FROM change")).scalar()
    found(engine)
    with reading(engine) as db:
        assert (find_session(db), db.execute(text("SELECT sum(number) FROM change")).scalar()) == before
