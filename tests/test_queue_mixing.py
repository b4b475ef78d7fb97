"""The queue as the desk gives it: what comes for another reason than its doubt, and what is left unheard."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import insert, select

from tests.training.synthetic_sessions import record_of
from triage.domain.verdict import Verdict
from triage.judge.active_learning import Mix
from triage.ranking.queue_mixing import ALL_BY_DOUBT, MIX, coming, unheard_rejects
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.review import left
from triage.store.review_sampling import FORGOTTEN, sample_of
from triage.store.takes import find_take, random_order_of, save_session
from triage.store.verdicts import record_verdict, take_back

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
OFTEN_RANDOM = Mix(learning=0.1, random=0.2, repeat=0.02)  # more at random than usual: a session here is short


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request, tmp_path, postgres):
    engine = open_store(f"sqlite:///{tmp_path / 's.db'}" if request.param == "sqlite" else postgres.empty_database())
    yield engine
    engine.dispose()


def ranked(engine, name, doubts, informative=()):
    """Store a session of takes, the most doubtful first; ``informative`` numbers the most informative ones."""
    with writing(engine) as db:
        session_id = save_session(db, record_of(name))
        order = {at: n for n, at in enumerate(informative, 1)}
        db.execute(
            insert(tables.take),
            [
                {
                    "session_id": session_id,
                    "name": f"T{i:04}",
                    "expected_pitches": [],
                    "analysed": True,
                    "audio_digest": "s",
                    "doubt": float(doubt),
                    "listen_s": 1.0,
                    "rank": i + 1,
                    "random_order": random_order_of(session_id, f"T{i:04}"),
                    "learning_rank": order.get(i),
                }
                for i, doubt in enumerate(doubts)
            ],
        )
    return session_id


def hear(engine, session_id, many, verdict_of, mix=OFTEN_RANDOM, by="anna"):
    """Hear takes as they come, in tens; ``verdict_of(number)`` is the verdict. Return names and reasons in order."""
    heard = []
    while len(heard) < many:
        with writing(engine) as db:
            found = coming(db, session_id, by, min(10, many - len(heard)), mix)
            for take, why in found:
                at = NOON + timedelta(seconds=len(heard))
                word = Verdict(take.name, verdict_of(int(take.name[1:])), by, at, blind=why == "repeat", shown=why)
                record_verdict(db, session_id, word)
                heard.append((take.name, why))
        if not found:
            break
    return heard


def test_each_reason_has_its_share_and_nothing_comes_twice_but_unannounced(engine):
    doubts = np.linspace(0.9, 0.001, 300)
    session_id = ranked(engine, "day", doubts, informative=range(150, 200))
    heard = hear(engine, session_id, 200, lambda i: "reject" if i < 20 else "accept", MIX)
    reasons = [why for _, why in heard]
    assert (reasons.count("learning"), reasons.count("random")) == (20, 10)
    assert reasons.count("repeat") == 3  # of 4 places the first comes before anything is old enough
    fresh = [name for name, why in heard if why != "repeat"]
    assert len(set(fresh)) == len(fresh)
    for at, (name, why) in enumerate(heard):
        if why == "repeat":
            assert fresh.index(name) < at - FORGOTTEN + 5
    chosen = [int(name[1:]) for name, why in heard if why == "learning"]
    assert chosen == sorted(chosen) and chosen[:5] == [150, 151, 152, 153, 154]
    orders = [random_order_of(session_id, name) for name, why in heard if why == "random"]
    assert orders == sorted(orders)


def test_with_the_switch_off_all_come_by_doubt(engine):
    session_id = ranked(engine, "day", np.linspace(0.9, 0.1, 40), informative=(30, 20))
    heard = hear(engine, session_id, 40, lambda i: "accept", ALL_BY_DOUBT)
    assert heard == [(f"T{i:04}", None) for i in range(40)]
    with reading(engine) as db:
        assert unheard_rejects(db, session_id) is None


def test_what_comes_next_stays_the_same_until_something_is_heard(engine):
    session_id = ranked(engine, "day", np.linspace(0.9, 0.1, 60), informative=(50, 40))
    with reading(engine) as db:
        ahead = [take.name for take, _ in coming(db, session_id, "anna", 10, OFTEN_RANDOM)]
    heard = []
    for _ in range(10):  # one at a time, as a slow desk would ask
        heard += [name for name, _ in hear(engine, session_id, 1, lambda i: "accept")]
    assert heard == ahead


def test_a_blind_repeat_settles_nothing_and_can_be_taken_back(engine):
    session_id = ranked(engine, "day", [0.5])
    with writing(engine) as db:
        record_verdict(db, session_id, Verdict("T0000", "reject", "anna", NOON))
        record_verdict(db, session_id, Verdict("T0000", "accept", "anna", NOON, blind=True, shown="repeat"))
        take = find_take(db, session_id, "T0000")
        assert take.settled and take.rejected and not take.disputed
        assert [back.verdict for back in take_back(db, session_id, "anna", NOON)] == ["accept"]
        assert find_take(db, session_id, "T0000").rejected


def test_a_take_that_came_at_random_is_known_as_such_until_its_verdict_is_taken_back(engine):
    session_id = ranked(engine, "day", [0.5, 0.4, 0.3])
    with writing(engine) as db:
        record_verdict(db, session_id, Verdict("T0001", "accept", "anna", NOON, shown="random"))
        assert find_take(db, session_id, "T0001").sampled
        take_back(db, session_id, "anna", NOON)
        assert not find_take(db, session_id, "T0001").sampled


def test_who_is_unsure_of_a_sampled_take_does_not_make_the_rest_look_better(engine):
    session_id = ranked(engine, "day", np.full(30, 0.01))
    hear(engine, session_id, 12, lambda i: "unsure", Mix(0, 1.0, 0))
    with reading(engine) as db:
        found = sample_of(db, session_id)
    assert found.sampled_rejected == found.sampled > 0


def a_day(rng, bias):
    """Doubts of 120 takes and which are rejects; the doubts are off by the factor ``bias``."""
    doubts = np.sort(rng.beta(0.5, 4.0, 120))[::-1]
    return doubts, rng.random(120) < np.clip(doubts * bias + (bias > 1) * 0.02, 0, 1)


def test_the_interval_covers_for_an_editor_who_works_down_the_queue(tmp_path):
    # Truth is known here. The most informative takes are the most uncertain ones, as a ranking would choose them;
    # every other day the doubts are far too low.
    engine = open_store(f"sqlite:///{tmp_path / 's.db'}")
    rng, off, covered, looked = np.random.default_rng(17), [], 0, 0
    for run in range(50):
        doubts, truth = a_day(rng, 1.0 + 1.5 * (run % 2))
        session_id = ranked(engine, f"day {run}", doubts, np.argsort(np.abs(doubts - 0.5))[:20])
        for many in (30, 40):  # heard in all: 30, then 70
            hear(engine, session_id, many, lambda i, truth=truth: "reject" if truth[i] else "accept")
            with reading(engine) as db:
                found = unheard_rejects(db, session_id)
                unheard = db.scalars(
                    select(tables.take.c.name).where(tables.take.c.session_id == session_id, ~tables.take.c.heard)
                ).all()
                assert left(db, session_id, "anna").takes == len(unheard)
            if found is None:
                continue
            rejects = sum(truth[int(name[1:])] for name in unheard)
            looked, covered = looked + 1, covered + (found.low <= rejects <= found.high)
            off.append(found.expected - rejects)
    engine.dispose()
    assert looked >= 80
    assert covered / looked >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / looked)
    assert abs(np.mean(off)) < 3.3 * np.std(off) / np.sqrt(len(off) / 2)  # two looks at one day are not independent
