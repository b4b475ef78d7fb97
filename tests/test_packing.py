"""What is kept of a session for the next model: the same to the last digit, forgotten when it no longer holds."""

import io
import tracemalloc
import zipfile
import zlib
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from sqlalchemy import select

from tests.training.told import made_session, record_of, verdicts_of
from training.candidates import learn
from training.selection import RetrainingConfig
from training.verdict_examples import examples_of_session
from triage.analysis.encoding import encoder_in_use
from triage.config import read_toml, shipped
from triage.domain.hit import HarmlessMark
from triage.judge.doubt import load_model
from triage.ranking.evidence import MOST_BYTES, form_in_use, packed, unpacked
from triage.ranking.scoring import said, weigh
from triage.ranking.suppression import judge_again, rank_again
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.evidence import find_evidence
from triage.store.harmless_groups import groups, record_mark
from triage.store.notes import notes
from triage.store.ranking import queue
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
    one = examples_of_session("s", weigh(takes, {}, {}), verdicts_of(truth, np.random.default_rng(0)))
    config = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)
    return replace(learn("linear", load_model(), [one], config.fit, encoder_in_use().name), version="learnt")


def standing(engine):
    with reading(engine) as db:
        session = find_session(db, "day")
        doubts = [(note.take, note.number, note.doubt, note.outlier) for note in notes(db, session.id)]
        lessons = db.execute(select(tables.take.c.name, tables.take.c.teach).order_by(tables.take.c.name)).all()
        return queue(db, session.id), doubts, lessons


def test_a_new_model_says_the_same_of_what_was_kept_as_of_what_is_gathered_anew(engine, learnt):
    with reading(engine) as db:
        session = find_session(db, "day")
    rank_again(engine, session)
    before = standing(engine)
    rank_again(engine, session, learnt)
    slow = standing(engine)
    rank_again(engine, session)
    judge_again(engine, session, learnt)
    assert standing(engine) == slow != before
    judge_again(engine, session, load_model())
    assert standing(engine) == before


def test_packing_loses_nothing_that_is_judged_by(learnt):
    takes, _ = made_session(9, takes=10)
    weighed = weigh(takes, {"T001": [50]}, {"T002": ["close.wav: cut short"]})
    again = unpacked(packed(weighed).data)
    assert again.findings == weighed.findings and again.lengths_s == weighed.lengths_s
    np.testing.assert_array_equal(again.evidence.matrix, weighed.evidence.matrix)
    np.testing.assert_array_equal(again.relative, weighed.relative)
    assert said(again, learnt, {"T003"}) == said(weighed, learnt, {"T003"})


def test_what_changes_a_take_or_a_harmless_mark_is_not_judged_by_old_evidence(engine):
    with reading(engine) as db:
        session = find_session(db, "day")
    (take,), _ = made_session(7, takes=1)
    for change in (lambda db: save_take(db, session.id, take), lambda db: mark(db, session)):
        rank_again(engine, session)
        with reading(engine) as db:
            assert find_evidence(db, session.id, form_in_use()) is not None
        with writing(engine) as db:
            change(db)
            assert find_evidence(db, session.id, form_in_use()) is None


def mark(db, session):
    group = next(iter(groups(db, session.id)))
    record_mark(db, session.id, HarmlessMark(group, True, "day", "anna", datetime(2026, 3, 14, tzinfo=UTC)))


@pytest.mark.parametrize("data", [b"", b"PK nonsense", b"x\x9c\x03\x00\x00\x00\x00\x01"])
def test_torn_evidence_is_gathered_anew(engine, data):
    with reading(engine) as db:
        session = find_session(db, "day")
    rank_again(engine, session)
    before = standing(engine)
    with writing(engine) as db:
        db.execute(tables.evidence.update().values(data=data))
    judge_again(engine, session)
    assert standing(engine) == before


@pytest.mark.parametrize("shape, written", [((2**30,), 2**30), ((2**40,), 2**20)], ids=["zeros", "only a claim"])
def test_evidence_that_would_swell_beyond_bounds_counts_as_none(shape, written):
    """A few kB that unpack to a gigabyte, or say so, as a stranger's store may hold."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("words.npy", "w") as member:
        np.lib.format.write_array_header_1_0(member, {"descr": "|u1", "fortran_order": False, "shape": shape})
        for _ in range(written // 2**20):
            member.write(bytes(2**20))
    data = zlib.compress(file.getvalue())
    tracemalloc.start()
    try:
        assert unpacked(data) is None
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()


def test_evidence_of_another_form_is_not_read(engine):
    with reading(engine) as db:
        session = find_session(db, "day")
    rank_again(engine, session)
    with writing(engine) as db:
        db.execute(tables.evidence.update().values(form="0 of another tool", data=b"whatever"))
        assert find_evidence(db, session.id, form_in_use()) is None
