"""The queue holds every take once, ranked without gaps, and a page reads only what it shows."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import event

from triage.domain.errors import StoreError
from triage.domain.judgement import Judgement, NoteJudgement, TakeJudgement
from triage.domain.note import Note
from triage.domain.spot import Spot
from triage.domain.take import Take
from triage.domain.verdict import Verdict
from triage.store.engine import reading, writing
from triage.store.hits import floors, hits, hits_by_kind, hits_by_mic
from triage.store.notes import embeddings, notes
from triage.store.ranking import queue, queue_length, save_judgement
from triage.store.spots import take_spots
from triage.store.takes import find_session, find_take, fingerprints, save_take, takes
from triage.store.verdicts import record_verdict

NAN = float("nan")


@pytest.fixture
def five(engine, session_id):
    """Takes T001 to T005 with two notes each, not judged."""
    with writing(engine) as db:
        for n in range(1, 6):
            pair = tuple(Note(k, k, k + 0.5) for k in (1, 2))
            save_take(db, session_id, Take(f"T{n:03}", "f", instrument="horn", duration_s=9.0, notes=pair))
    return session_id


def spot(take: str, doubt: float, start_s: float = 0.0) -> Spot:
    return Spot(take, start_s, start_s + 0.5, 1, "length", doubt, "too long", "close", 0.62, 0.41, "s")


def judged(*ranks: tuple[str, int | None]) -> Judgement:
    return Judgement("m 1", tuple(TakeJudgement(name, 0.5, 3.0, rank) for name, rank in ranks))


def test_ranks_go_from_one_without_gaps_ties_by_name_the_unjudged_last(engine, five):
    with writing(engine) as db:
        save_judgement(db, five, judged(("T005", 7), ("T004", 7), ("T002", 3), ("T003", None)))
    with reading(engine) as db:
        assert [(entry.rank, entry.take) for entry in queue(db, five)] == [
            (1, "T002"),
            (2, "T004"),
            (3, "T005"),
            (4, "T001"),
            (5, "T003"),
        ]
        assert [take.rank for take in takes(db, five)] == [4, 1, 5, 2, 3]
        assert find_session(db).model == "m 1"


def test_before_anything_is_judged_every_take_is_in_the_queue(engine, five):
    with reading(engine) as db:
        assert [(entry.rank, entry.take) for entry in queue(db, five)] == [(n, f"T00{n}") for n in range(1, 6)]
        assert queue_length(db, five) == 5


def test_a_take_saved_anew_waits_at_the_end_until_it_is_judged(engine, five):
    with writing(engine) as db:
        save_judgement(db, five, judged(*((f"T00{n}", n) for n in range(1, 6))))
        save_take(db, five, Take("T001", "f2"))
        entries = queue(db, five)
    assert [entry.take for entry in entries] == ["T002", "T003", "T004", "T005", "T001"]
    assert (entries[-1].rank, entries[-1].doubt) == (5, None)


def test_pages_of_the_queue_join_to_the_whole_with_their_own_spots(engine, five):
    with writing(engine) as db:
        marks = tuple(spot(f"T00{n}", n / 10) for n in (1, 3, 5))
        save_judgement(db, five, Judgement("m", judged(*((f"T00{n}", 6 - n) for n in range(1, 6))).takes, (), marks))
    with reading(engine) as db:
        whole = queue(db, five)
        assert queue(db, five, limit=2) + queue(db, five, 2, 2) + queue(db, five, 2, 4) == whole
        assert [len(entry.spots) for entry in whole] == [1, 0, 1, 0, 1]


def test_spots_come_with_the_most_doubtful_first_and_as_they_went_in(engine, five):
    marks = (spot("T001", 0.2, 1.0), spot("T001", 0.9, 5.0), spot("T001", NAN, 0.0), spot("T001", 0.9, 4.0))
    with writing(engine) as db:
        save_judgement(db, five, Judgement("m", spots=marks))
        take_id = find_take(db, five, "T001").id
    with reading(engine) as db:
        found = take_spots(db, take_id)
        assert found[:3] == (marks[3], marks[1], marks[0])
        assert found[3].doubt is None
        assert queue(db, five)[0].spots == found


def test_a_new_judgement_replaces_the_one_before_also_where_it_is_silent(engine, five):
    note = NoteJudgement("T001", 2, 0.8, 0.75, 3.5)
    with writing(engine) as db:
        save_judgement(db, five, Judgement("m 1", judged(("T001", 1)).takes, (note,), (spot("T001", 0.8),)))
        found = notes(db, five, "T001")[1]
        assert (found.doubt, found.reject_probability, found.outlier) == (0.8, 0.75, 3.5)
        assert notes(db, five, "T001")[0].doubt is None
    with writing(engine) as db:
        save_judgement(db, five, Judgement("m 2"))
    with reading(engine) as db:
        first = queue(db, five)[0]
        assert (first.spots, first.doubt, first.listen_s) == ((), None, None)
        assert notes(db, five, "T001")[1].doubt is None
        assert find_session(db).model == "m 2"


def test_a_judgement_on_an_unknown_take_changes_nothing(engine, five):
    with writing(engine) as db:
        save_judgement(db, five, judged(("T003", 1)))
        with pytest.raises(StoreError, match="judged take 'T009' is not in the session"):
            save_judgement(db, five, Judgement("m 2", spots=(spot("T009", 0.5),)))
    with reading(engine) as db:
        assert (queue(db, five)[0].take, find_session(db).model) == ("T003", "m 1")


def test_the_queue_shows_the_last_verdict_on_the_whole_take(engine, five):
    at = datetime(2026, 3, 14, tzinfo=UTC)
    with writing(engine) as db:
        for word, note in (("accept", None), ("unsure", None), ("reject", 1)):
            record_verdict(db, five, Verdict("T001", word, "anna", at, note))
    with reading(engine) as db:
        assert [entry.verdict for entry in queue(db, five)] == ["unsure", None, None, None, None]


def test_judging_a_session_leaves_other_sessions_alone(engine, five):
    from datetime import date

    from triage.domain.session import Session
    from triage.store.takes import save_session

    with writing(engine) as db:
        other = save_session(db, Session("other", "f", date(2026, 3, 15), None, 440.0, None))
        save_take(db, other, Take("T001", "f", notes=(Note(1, 0.0, 1.0),)))
        mark = NoteJudgement("T001", 1, 0.5, 0.5, 1.0)
        save_judgement(db, other, Judgement("m", judged(("T001", 1)).takes, (mark,), (spot("T001", 0.5),)))
        save_judgement(db, five, Judgement("m 2"))
        assert len(queue(db, other)[0].spots) == 1
        assert notes(db, other)[0].doubt == 0.5


def test_no_query_for_one_session_or_take_reads_a_whole_table(engine, five):
    if engine.dialect.name != "sqlite":
        pytest.skip("a small PostgreSQL table is read whole on purpose; SQLite's plan tells which index serves")
    asked: list[tuple[str, tuple]] = []
    event.listen(engine, "before_cursor_execute", lambda *call: asked.append((call[2], call[3])))
    with reading(engine) as db:
        take_id = find_take(db, five, "T001").id
        for ask in (queue, notes, hits, hits_by_mic, hits_by_kind, floors, fingerprints, takes):
            ask(db, five)
        notes(db, five, "T001")
        embeddings(db, five, "small")
        take_spots(db, take_id)
        selects = [(sql, values) for sql, values in asked if sql.startswith("SELECT")]
        for sql, values in selects:
            plan = [row.detail for row in db.exec_driver_sql("EXPLAIN QUERY PLAN " + sql, values)]
            scans = [step for step in plan if step.startswith("SCAN") and "anon" not in step]
            assert not scans, (sql, plan)
    assert len(selects) >= 12
