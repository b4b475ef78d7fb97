"""What is kept of a session for the next model: the same to the last digit, forgotten when it no longer holds."""

import tracemalloc
import zlib
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from sqlalchemy import select

from tests.training.synthetic_sessions import made_session, record_of, verdicts_of
from training.candidates import learn
from training.selection import RetrainingConfig
from training.verdict_examples import examples_of_session
from triage.analysis.encoding import encoder_in_use
from triage.config import read_toml, shipped
from triage.domain.hit import HarmlessMark
from triage.judge.doubt import load_model
from triage.ranking.feature_file import MOST_BYTES, features_key, from_bytes, to_bytes
from triage.ranking.scoring import judge
from triage.ranking.session import judge_session_again, rank_session
from triage.ranking.session_features import session_features
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.harmless_groups import groups, record_mark
from triage.store.notes import notes
from triage.store.ranking import queue
from triage.store.session_features import find_features
from triage.store.takes import find_session, save_session, save_take


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request, tmp_path, postgres):
    engine = open_store(f"sqlite:///{tmp_path / 's.db'}" if request.param == "sqlite" else postgres.empty_database())
    takes, _ = made_session(7, takes=16)
    with writing(engine) as db:
        session_id = save_session(db, record_of("day"))
        for take in takes:
            save_take(db, session_id, replace(take, duration_s=6.5))
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def learnt():
    takes, truth = made_session(8, takes=30)
    one = examples_of_session("s", session_features(takes, {}, {}), verdicts_of(truth, np.random.default_rng(0)))
    config = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)
    return replace(learn("linear", load_model(), [one], config.fit, encoder_in_use().name), version="learnt")


def standing(engine):
    with reading(engine) as db:
        session = find_session(db, "day")
        doubts = [(note.take, note.number, note.doubt, note.outlier) for note in notes(db, session.id)]
        take = tables.take
        learning = db.execute(select(take.c.name, take.c.learning_rank).order_by(take.c.name)).all()
        return queue(db, session.id), doubts, learning


def test_a_new_model_gives_the_same_result_on_kept_features_as_on_new_ones(engine, learnt):
    with reading(engine) as db:
        session = find_session(db, "day")
    rank_session(engine, session.id, session.a4_hz)
    before = standing(engine)
    rank_session(engine, session.id, session.a4_hz, learnt)
    slow = standing(engine)
    rank_session(engine, session.id, session.a4_hz)
    judge_session_again(engine, session, learnt)
    assert standing(engine) == slow != before
    judge_session_again(engine, session, load_model())
    assert standing(engine) == before


def test_the_bytes_lose_nothing_that_is_judged_by(learnt):
    takes, _ = made_session(9, takes=10)
    features = session_features(takes, {"T001": [50]}, {"T002": ["close.wav: cut short"]})
    again = from_bytes(to_bytes(features).data)
    assert again.findings == features.findings and again.lengths_s == features.lengths_s
    np.testing.assert_array_equal(again.notes.matrix, features.notes.matrix)
    np.testing.assert_array_equal(again.relative, features.relative)
    assert judge(again, learnt, {"T003"}) == judge(features, learnt, {"T003"})


def test_what_changes_a_take_or_a_harmless_mark_is_not_judged_by_old_features(engine):
    with reading(engine) as db:
        session = find_session(db, "day")
    (take,), _ = made_session(7, takes=1)
    for change in (lambda db: save_take(db, session.id, take), lambda db: mark(db, session)):
        rank_session(engine, session.id, session.a4_hz)
        with reading(engine) as db:
            assert find_features(db, session.id, features_key()) is not None
        with writing(engine) as db:
            change(db)
            assert find_features(db, session.id, features_key()) is None


def mark(db, session):
    group = next(iter(groups(db, session.id)))
    record_mark(db, session.id, HarmlessMark(group, True, "day", "anna", datetime(2026, 3, 14, tzinfo=UTC)))


@pytest.mark.parametrize("data", [b"", b"PK nonsense", b"x\x9c\x03\x00\x00\x00\x00\x01"])
def test_damaged_features_are_built_anew(engine, data):
    with reading(engine) as db:
        session = find_session(db, "day")
    rank_session(engine, session.id, session.a4_hz)
    before = standing(engine)
    with writing(engine) as db:
        db.execute(tables.session_features.update().values(data=data))
    judge_session_again(engine, session)
    assert standing(engine) == before


@pytest.mark.parametrize("data", [bytes(2**30), b"\xff" * 8], ids=["a gigabyte", "a header that claims one"])
def test_features_that_would_decompress_beyond_bounds_count_as_none(data):
    """A few kB that decompress to a gigabyte, or say so, as a stranger's store may hold."""
    data = zlib.compress(data)
    tracemalloc.start()
    try:
        assert from_bytes(data) is None
        assert tracemalloc.get_traced_memory()[1] < 2.1 * MOST_BYTES  # what came so far, and the same in one piece
    finally:
        tracemalloc.stop()


def test_features_under_another_key_are_not_read(engine):
    with reading(engine) as db:
        session = find_session(db, "day")
    rank_session(engine, session.id, session.a4_hz)
    with writing(engine) as db:
        db.execute(tables.session_features.update().values(key="0 of another tool", data=b"whatever"))
        assert find_features(db, session.id, features_key()) is None
