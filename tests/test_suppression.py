"""What somebody heard and called harmless is silent in the doubt, now and later, and back when louder or unmarked."""

import pytest

from tests.noisy import CHAIR, TAKES, ranked_store, take
from triage.domain.session import Session
from triage.ranking.session import mark_groups, rank_session
from triage.ranking.suppression import group_hits, without_harmless
from triage.store.analysed_takes import analysed_takes
from triage.store.engine import reading, writing
from triage.store.hits import hits
from triage.store.ranking import queue
from triage.store.takes import find_session, save_session, save_take


@pytest.fixture
def store(tmp_path):
    """A ranked session with a creaking chair; give the engine and the session."""
    with ranked_store(f"sqlite:///{tmp_path / 'store.db'}") as both:
        yield both


def doubts(engine, session):
    with reading(engine) as db:
        return {entry.take: entry.doubt for entry in queue(db, session.id)}


def spots(engine, session, kind):
    with reading(engine) as db:
        return [spot for entry in queue(db, session.id) for spot in entry.spots if spot.kind == kind]


def test_ranking_gives_every_hit_its_group(store):
    engine, session = store
    with reading(engine) as db:
        keys = [hit.group for hit in hits(db, session.id)]
    assert keys.count(CHAIR) == TAKES - 2
    assert None not in keys


def test_a_harmless_group_raises_no_doubt_at_once_and_comes_back_when_unmarked(store):
    engine, session = store
    before = doubts(engine, session)
    assert spots(engine, session, "creak")
    assert mark_groups(engine, session, [CHAIR], "anna") == TAKES - 2
    silent = doubts(engine, session)
    assert spots(engine, session, "creak") == []
    assert all(silent[f"T{n:03}"] < before[f"T{n:03}"] for n in range(3, TAKES + 1))
    assert spots(engine, session, "dropout")  # nothing else is silenced
    assert mark_groups(engine, session, [CHAIR], "ben", harmless=False) == 0
    assert doubts(engine, session) == before


def test_hits_of_the_group_found_later_are_silent_too(store):
    engine, session = store
    mark_groups(engine, session, [CHAIR], "anna")
    with writing(engine) as db:  # read anew, every hit with it, and a take that was not there before
        for number in range(1, TAKES + 2):
            save_take(db, session.id, take(number, fingerprint="g"))
        assert sum(hit.harmless for hit in hits(db, session.id, harmless=True)) == 0
    rank_session(engine, session.id, session.a4_hz)
    with reading(engine) as db:
        assert sum(hit.harmless for hit in hits(db, session.id, harmless=True)) == TAKES + 1 - 2


def test_a_lone_hit_of_a_marked_group_is_silent_in_another_session(store):
    engine, session = store
    mark_groups(engine, session, [CHAIR], "anna")
    with writing(engine) as db:
        other = find_session(db, "mill-day2-b")
        other_id = save_session(db, Session("next-day", "mill", other.date, 48_000, 442.0, "close"))
        save_take(db, other_id, take(3))
        other = find_session(db, "next-day")
    rank_session(engine, other.id, other.a4_hz)
    with reading(engine) as db:
        assert [(hit.group, hit.harmless) for hit in hits(db, other.id, harmless=True)] == [
            ("close:breath:any", False),
            (CHAIR, True),
        ]


def test_a_hit_clearly_louder_than_what_was_heard_is_back(store):
    engine, session = store
    mark_groups(engine, session, [CHAIR], "anna")  # the loudest was at -48.8 dBFS
    with writing(engine) as db:
        save_take(db, session.id, take(7, level_dbfs=-43.6))  # 5.9 dB over it
        save_take(db, session.id, take(8, level_dbfs=-43.5))  # 6.1 dB over it
    rank_session(engine, session.id, session.a4_hz)
    with reading(engine) as db:
        assert [hit.take for hit in hits(db, session.id) if hit.group == CHAIR] == ["T008"]


def test_grouping_changes_nothing_else_of_a_take(store):
    engine, session = store
    with reading(engine) as db:
        stored = analysed_takes(db, session.id)
    again = without_harmless(group_hits(stored, {}))
    assert [one.hits for one in again] == [one.hits for one in stored]
    assert [one.name for one in again] == [one.name for one in stored]


def test_ranking_again_keeps_the_lines_about_broken_files(store):
    from triage.ranking.model_in_use import model_in_use
    from triage.ranking.scoring import judge  # what an intake with a broken file stores
    from triage.ranking.session_features import session_features
    from triage.store.ranking import save_judgement

    engine, session = store
    with writing(engine) as db:
        broken = {"T004": ["audio/T004_room.wav: ends early"]}
        judgement = judge(session_features(analysed_takes(db, session.id), {}, broken), model_in_use(db))
        save_judgement(db, session.id, judgement)
    before = spots(engine, session, "truncated")
    rank_session(engine, session.id, session.a4_hz)
    assert (
        [(s.take, s.why, s.doubt) for s in spots(engine, session, "truncated")]
        == [(s.take, s.why, s.doubt) for s in before]
        != []
    )
