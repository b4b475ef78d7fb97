"""The check of arrivals comes back as it went in and the next one replaces it."""

from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.store.arrivals import arrivals, save_arrivals
from triage.store.engine import reading, writing

ROLL = Arrivals(
    (
        ArrivalProblem("missing", take="T003", mic="room"),
        ArrivalProblem("unexpected", path="audio/new.wav"),
        ArrivalProblem("broken", path="audio/T001_close.wav", why="ends after 12 of 20 s"),
        ArrivalProblem("unlike", path="T2.wav", what="sample rate", found=44_100, expected=48_000),
        ArrivalProblem("unlike", path="T2.wav", what="format", found="PCM_16", expected="PCM_24"),
    ),
    complete=7,
    problems=("row 4: pitch 'H3' is not a note name",),
)


def test_the_roll_call_comes_back_as_it_went_in(engine, session_id):
    with writing(engine) as db:
        save_arrivals(db, session_id, ROLL)
    with reading(engine) as db:
        assert arrivals(db, session_id) == ROLL


def test_the_next_roll_call_replaces_the_one_before(engine, session_id):
    with writing(engine) as db:
        save_arrivals(db, session_id, ROLL)
        save_arrivals(db, session_id, Arrivals((), complete=9))
        assert arrivals(db, session_id) == Arrivals((), complete=9)


def test_a_session_without_a_roll_call_has_nothing_complete(engine, session_id):
    with reading(engine) as db:
        assert arrivals(db, session_id) == Arrivals((), complete=0)
