"""Noise hits and backgrounds come back as they went in, and are counted by microphone and by kind."""

import pytest

from triage.domain.hit import Hit
from triage.domain.take import NoiseFloor, Take
from triage.store.engine import reading, writing
from triage.store.hits import floors, hits, hits_by_kind, hits_by_mic
from triage.store.takes import save_take


def hit(kind: str, start_s: float, mic: str) -> Hit:
    return Hit(kind, start_s, start_s + 0.1, mic, (mic, "room"), -50.5, 12.0, 0.75, None)


@pytest.fixture
def noisy(engine, session_id):
    with writing(engine) as db:
        loud = (hit("creak", 9.0, "close"), hit("click", 1.0, "spot"))
        save_take(db, session_id, Take("T002", "f", hits=loud, floors=(NoiseFloor("close", float("-inf")),)))
        one = (hit("creak", 2.0, "close"),)
        save_take(db, session_id, Take("T001", "f", hits=one, floors=(NoiseFloor("close", -80.0),)))
    return session_id


def test_hits_come_in_order_of_take_and_time(engine, noisy):
    with reading(engine) as db:
        found = hits(db, noisy)
        assert [(hit.take, hit.start_s, hit.kind) for hit in found] == [
            ("T001", 2.0, "creak"),
            ("T002", 1.0, "click"),
            ("T002", 9.0, "creak"),
        ]
        assert (found[1].mics, found[1].level_dbfs, found[1].exposed) == (("spot", "room"), -50.5, 0.75)
        assert hits(db, noisy, "T002") == found[1:]
        assert hits(db, noisy, limit=1, offset=1) == found[1:2]


def test_hits_are_counted_with_the_worst_first(engine, noisy):
    with reading(engine) as db:
        assert list(hits_by_mic(db, noisy).items()) == [("close", 2), ("spot", 1)]
        assert list(hits_by_kind(db, noisy).items()) == [("creak", 2), ("click", 1)]


def test_digital_silence_has_no_background_level(engine, noisy):
    with reading(engine) as db:
        assert [(row.take, row.mic, row.level_dbfs) for row in floors(db, noisy)] == [
            ("T001", "close", -80.0),
            ("T002", "close", None),
        ]
