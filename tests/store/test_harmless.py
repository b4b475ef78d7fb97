"""Words on groups of hits are kept for ever, the last one counts, and silent hits are left out unless asked for."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from triage.domain.errors import StoreError
from triage.domain.hit import HarmlessMark, Hit
from triage.domain.session import Session
from triage.domain.take import NoiseFloor, Take
from triage.store.analysed_takes import analysed_takes
from triage.store.engine import reading, writing
from triage.store.harmless_groups import groups, marks, record_mark
from triage.store.hits import floors, hits, hits_by_kind, hits_by_mic, save_groups
from triage.store.tables import mark
from triage.store.takes import find_session, save_session, save_take

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
CREAK, CLICK = "close:creak:after-3", "spot: 2:click:any"


def hit(kind, start_s, mic, group=None, harmless=False, level_dbfs=-50.0):
    return Hit(kind, start_s, start_s + 0.1, mic, (mic,), level_dbfs, 12.0, 0.8, None, group, harmless)


def marked(group=CREAK, harmless=True, by="anna", minutes=0, loudest=-48.5):
    return HarmlessMark(group, harmless, "mill-day2-b", by, NOON + timedelta(minutes=minutes), loudest)


@pytest.fixture
def noisy(engine, session_id):
    with writing(engine) as db:
        loud = (hit("creak", 9.0, "close", CREAK, True, -48.5), hit("click", 1.0, "spot: 2", CLICK))
        save_take(db, session_id, Take("T002", "f", hits=loud))
        save_take(db, session_id, Take("T001", "f", hits=(hit("creak", 2.0, "close", CREAK, True),)))
    return session_id


def test_the_last_mark_on_a_group_counts_and_all_are_kept(engine, noisy):
    given = [marked(), marked(CLICK, loudest=None), marked(harmless=False, by="ben", minutes=5, loudest=None)]
    for one in given:
        with writing(engine) as db:
            record_mark(db, noisy, one)
    with reading(engine) as db:
        assert marks(db) == {CLICK: given[1], CREAK: given[2]}
        marked_by = db.execute(select(mark.c.by, mark.c.harmless).order_by(mark.c.id)).all()
        assert marked_by == [(one.by, one.harmless) for one in given]


def test_a_group_that_is_not_there_is_refused_and_the_nearest_named(engine, noisy):
    slip = r"no group of hits 'close:creak:after-2'.*nearest: close:c"
    with writing(engine) as db, pytest.raises(StoreError, match=slip):
        record_mark(db, noisy, marked("close:creak:after-2"))
    with writing(engine) as db, pytest.raises(StoreError, match="--by"):
        record_mark(db, noisy, marked(by=" "))
    with reading(engine) as db:
        assert db.scalars(select(mark.c.id)).all() == []


def test_a_mark_outlives_the_hits_it_was_about(engine, noisy):
    with writing(engine) as db:
        record_mark(db, noisy, marked())
        save_take(db, noisy, Take("T001", "g"))
        save_take(db, noisy, Take("T002", "g"))
    with writing(engine) as db:
        assert groups(db, noisy) == {} and marks(db)[CREAK].harmless
        record_mark(db, noisy, marked(harmless=False, minutes=1))  # it can be taken back all the same
        assert not marks(db)[CREAK].harmless


def test_groups_are_given_with_the_level_of_the_loudest(engine, noisy):
    with reading(engine) as db:
        assert groups(db, noisy) == {CREAK: -48.5, CLICK: -50.0}


def test_harmless_hits_are_left_out_unless_asked_for(engine, noisy):
    with reading(engine) as db:
        assert [(found.take, found.kind) for found in hits(db, noisy)] == [("T002", "click")]
        assert [found.harmless for found in hits(db, noisy, harmless=True)] == [True, False, True]
        assert (hits_by_kind(db, noisy), hits_by_mic(db, noisy)) == ({"click": 1}, {"spot: 2": 1})
        assert hits_by_kind(db, noisy, harmless=True) == {"creak": 2, "click": 1}


def test_groups_are_stored_hit_by_hit_and_a_take_read_anew_meanwhile_is_left_alone(engine, noisy):
    with reading(engine) as db:
        stored = analysed_takes(db, noisy)
    assert [len(one.hits) for one in stored] == [1, 2]  # the judge is given the silent ones too
    changed = [
        Take(one.name, "f", hits=tuple(hit(h.kind, h.start_s, h.mic, f"new:{h.kind}:any") for h in one.hits))
        for one in stored
    ]
    with writing(engine) as db:
        save_take(db, noisy, Take("T001", "g", hits=(hit("knock", 1.0, "close"), hit("knock", 3.0, "close"))))
        save_groups(db, noisy, changed)
    with reading(engine) as db:
        assert [found.group for found in hits(db, noisy)] == [None, None, "new:click:any", "new:creak:any"]


def test_backgrounds_by_octave_and_calibrations_come_back_as_they_went_in(engine, session_id):
    octaves = (*[-80.25] * 9, None)
    with writing(engine) as db:
        floor = NoiseFloor("close", -70.0, a_dbfs=-77.5, octaves_dbfs=octaves, end_over_db=21.5)
        save_take(db, session_id, Take("T001", "f", floors=(floor, NoiseFloor("room", None))))
        session = find_session(db, "mill-day2-b")
        names = ("name", "folder", "date", "sample_rate_hz", "a4_hz", "reference_mic")
        record = {name: getattr(session, name) for name in names}
        assert session.full_scale_db_spl is None
        save_session(db, Session(**record, full_scale_db_spl={"close": 118.0}))
    with reading(engine) as db:
        close, room = floors(db, session_id)
        assert (close.a_dbfs, close.octaves_dbfs) == (-77.5, octaves)
        assert (room.a_dbfs, room.octaves_dbfs) == (None, None)
        assert (close.end_over_db, room.end_over_db) == (21.5, None)
        assert find_session(db, "mill-day2-b").full_scale_db_spl == {"close": 118.0}
