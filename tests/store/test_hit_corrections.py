"""Corrections of hits are kept for ever and change what is listed, in the hit and in those that sound like it."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from triage.domain.errors import StoreError
from triage.domain.hit import Hit, HitCorrection
from triage.domain.take import Take
from triage.ranking.suppression import group_hits
from triage.store.analysed_takes import analysed_takes
from triage.store.engine import reading, writing
from triage.store.hit_corrections import hit_corrections, record_correction
from triage.store.hits import hits, save_groups
from triage.store.tables import hit as hit_table
from triage.store.takes import save_take, session_of

SOUND = tuple(float(-k) for k in range(20))


def knock(start_s, natural=None):
    return Hit("knock", start_s, start_s + 0.2, "close", ("close",), -50.0, 12.0, 0.8, natural=natural, sound=SOUND)


def corrected(take, start_s, right_kind, session, right_start_s=None):
    start = start_s if right_start_s is None else right_start_s
    times = (start_s, start_s + 0.2, SOUND, right_kind, start, start_s + 0.2)
    return HitCorrection(session, take, "close", "knock", *times, "anna", datetime(2026, 3, 14, tzinfo=UTC))


@pytest.fixture
def noisy(engine, session_id):
    with writing(engine) as db:
        for name, start_s in (("T001", 1.0), ("T002", 2.0), ("T003", 3.0)):
            save_take(db, session_id, Take(name, "f", hits=(knock(start_s),)))
    return session_id


def rank(engine, session_id):
    with writing(engine) as db:
        name = session_of(db, session_id).name
        save_groups(db, session_id, group_hits(analysed_takes(db, session_id), {}, name, hit_corrections(db)))
    with reading(engine) as db:
        return hits(db, session_id)


def name_of(engine, session_id):
    with reading(engine) as db:
        return session_of(db, session_id).name


def test_a_corrected_hit_is_listed_as_corrected_and_comes_back_as_given(engine, noisy):
    given = corrected("T001", 1.0, "creak", name_of(engine, noisy), right_start_s=0.9)
    with writing(engine) as db:
        record_correction(db, given)
        assert hit_corrections(db) == [given]
    for _ in range(2):  # ranked twice: what was found is still known
        listed = rank(engine, noisy)
        assert [(one.kind, one.start_s) for one in listed] == [("creak", 0.9), ("knock", 2.0), ("knock", 3.0)]
        assert (listed[0].found_kind, listed[0].found_start_s) == ("knock", 1.0)


def test_no_noise_twice_takes_the_likes_off_the_list_and_a_later_word_brings_them_back(engine, noisy):
    session = name_of(engine, noisy)
    with writing(engine) as db:
        for take, start_s in (("T001", 1.0), ("T002", 2.0)):
            record_correction(db, corrected(take, start_s, None, session))
    assert rank(engine, noisy) == ()
    with reading(engine) as db:
        assert len(db.execute(select(hit_table.c.id)).all()) == 3  # nothing is deleted
    with writing(engine) as db:
        for take, start_s in (("T001", 1.0), ("T002", 2.0)):
            record_correction(db, corrected(take, start_s, "knock", session))
    assert [one.kind for one in rank(engine, noisy)] == ["knock"] * 3


@pytest.mark.parametrize(
    "changes, slip",
    [
        ({"right_kind": "thunder"}, "no kind of noise 'thunder'"),
        ({"right_end_s": 0.5}, "has no length"),
        ({"by": " "}, "needs a name"),
    ],
)
def test_a_slip_is_refused(engine, noisy, changes, slip):
    given = HitCorrection(**vars(corrected("T001", 1.0, "creak", "s")) | changes)
    with writing(engine) as db, pytest.raises(StoreError, match=slip):
        record_correction(db, given)


def test_usual_sounds_of_playing_are_kept_and_not_listed(engine, session_id):
    with writing(engine) as db:
        own = tuple(Hit(**vars(knock(1.0 + k, "key-sound")) | {"usual": True}) for k in range(3))
        save_take(db, session_id, Take("T001", "f", hits=(*own, knock(9.0))))
    with reading(engine) as db:
        assert len(hits(db, session_id)) == 1
        assert [one.natural for one in hits(db, session_id, usual=True)] == ["key-sound"] * 3 + [None]
        assert hits(db, session_id)[0].sound == SOUND
