"""The review queue: what was heard never comes back unless something changed, and what is left adds up."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sqlalchemy import func, insert, select, text

from tests.verdicts import given_verdicts
from triage.domain.errors import StoreError
from triage.domain.judgement import Judgement, NoteJudgement, TakeJudgement
from triage.domain.note import Note
from triage.domain.take import Take, Track
from triage.domain.verdict import Verdict
from triage.store import schema, tables
from triage.store.cached_sheets import save_sheet_parts, state_of
from triage.store.changes import changes
from triage.store.engine import open_store, reading, upgrade_store, writing
from triage.store.metadata import metadata
from triage.store.neighbours import neighbour_notes, repetition_notes
from triage.store.progress import progress, tallies
from triage.store.ranking import queue, save_judgement
from triage.store.review import left, next_takes, take_page
from triage.store.standing import history
from triage.store.takes import drop_takes, find_take, save_take
from triage.store.verdicts import record_verdict, take_back

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
NAMES = ("T1", "T2", "T3", "T4")
DOUBTS = (0.9, 0.5, 0.25, 0.125)


def take(name: str, audio_digest: str = "a", pitches: tuple[int, ...] = (60, 62)) -> Take:
    played = tuple(Note(n, n, n + 0.5, n + 0.8, pitch, pitch) for n, pitch in enumerate(pitches, 1))
    tracks = (Track("close", f"audio/{name}_close.wav", 0),)
    return Take(
        name,
        f"f{audio_digest}",
        "horn",
        "staccato",
        "ff",
        expected_pitches=pitches,
        duration_s=10.0,
        audio_digest=audio_digest,
        tracks=tracks,
        notes=played,
        measured_mic="close",
    )


def rank(db, session_id: int) -> None:
    pairs = enumerate(zip(NAMES, DOUBTS, strict=True))
    save_judgement(db, session_id, Judgement("m", tuple(TakeJudgement(name, d, 8 * d, n) for n, (name, d) in pairs)))


@pytest.fixture
def four(engine, session_id):
    with writing(engine) as db:
        for name in NAMES:
            save_take(db, session_id, take(name))
        rank(db, session_id)
    return session_id


def give_verdict(engine, session_id, name, verdict, by, note=None, key=None, audio_digest=None):
    with writing(engine) as db:
        return record_verdict(db, session_id, Verdict(name, verdict, by, NOON, note), key, audio_digest)


def names(engine, session_id, by):
    with reading(engine) as db:
        return [one.name for one in next_takes(db, session_id, by, 10)]


def test_the_most_doubtful_unheard_take_comes_next(engine, four):
    assert names(engine, four, "anna") == list(NAMES)
    give_verdict(engine, four, "T1", "reject", "anna")
    give_verdict(engine, four, "T3", "accept", "ben")
    assert names(engine, four, "anna") == names(engine, four, "ben") == ["T2", "T4"]


def test_what_is_left_is_the_sum_of_the_unheard(engine, four):
    give_verdict(engine, four, "T2", "accept", "anna")
    with reading(engine) as db:
        found = left(db, four, "anna")
    # 0.9 + 0.25 + 0.125 expected rejects; 8 s of listening for each
    assert (found.takes, found.expected_rejects, found.listen_s) == (3, pytest.approx(1.275), pytest.approx(10.2))
    assert (found.settled, found.disputed, found.all) == (1, 0, 4)


def test_who_is_unsure_does_not_hear_it_again_but_others_do(engine, four):
    give_verdict(engine, four, "T1", "unsure", "anna")
    assert names(engine, four, "anna") == ["T2", "T3", "T4"]
    assert names(engine, four, "ben") == list(NAMES)
    with reading(engine) as db:
        assert (left(db, four, "anna").takes, left(db, four, "ben").takes) == (3, 4)


def test_where_two_differ_a_third_is_asked(engine, four):
    give_verdict(engine, four, "T1", "accept", "anna")
    give_verdict(engine, four, "T1", "reject", "ben")
    assert names(engine, four, "anna") == names(engine, four, "ben") == ["T2", "T3", "T4"]
    assert names(engine, four, "cleo") == list(NAMES)
    with reading(engine) as db:
        assert left(db, four, "cleo").disputed == 1
        shown, words = take_page(db, four, "disputed", 0, 10)
    assert [one.name for one in shown] == ["T1"] and words == {shown[0].id: {"anna": "accept", "ben": "reject"}}


def test_a_verdict_on_a_note_leaves_the_take_in_the_queue(engine, four):
    give_verdict(engine, four, "T1", "reject", "anna", note=2)
    assert names(engine, four, "anna")[0] == "T1"


def test_another_sound_brings_a_take_back_and_the_old_verdict_stays_on_record(engine, four):
    give_verdict(engine, four, "T1", "accept", "anna")
    with writing(engine) as db:
        save_take(db, four, take("T1", audio_digest="b"))
        rank(db, four)
    assert names(engine, four, "anna") == list(NAMES)
    with reading(engine) as db:
        (word,) = history(db, find_take(db, four, "T1").id)
    assert word.changed == "its sound" and word.verdict == "accept"


def test_a_new_way_of_listening_to_the_same_sound_brings_nothing_back(engine, four):
    give_verdict(engine, four, "T1", "accept", "anna")
    with writing(engine) as db:
        save_take(db, four, replace(take("T1"), fingerprint="listened anew", remark="typed later"))
        rank(db, four)
    assert names(engine, four, "anna") == ["T2", "T3", "T4"]


def test_another_row_of_the_sheet_brings_a_take_back(engine, four):
    give_verdict(engine, four, "T1", "accept", "anna")
    with writing(engine) as db:
        save_take(db, four, replace(take("T1"), dynamic="pp"))
        rank(db, four)
    assert names(engine, four, "anna") == list(NAMES)


def test_a_verdict_on_what_the_page_still_had_does_not_settle_what_came_since(engine, four):
    with writing(engine) as db:
        save_take(db, four, take("T1", audio_digest="b"))
        rank(db, four)
    give_verdict(engine, four, "T1", "accept", "anna", audio_digest="a")
    assert names(engine, four, "anna") == list(NAMES)


def test_a_take_whose_files_are_gone_is_not_offered(engine, four):
    give_verdict(engine, four, "T1", "unsure", "ben")
    with writing(engine) as db:
        assert drop_takes(db, four, NAMES[1:]) == ("T1",)
    assert names(engine, four, "anna") == ["T2", "T3", "T4"]


def test_undo_goes_back_any_number_of_steps_and_deletes_nothing(engine, four):
    for name, verdict in (("T1", "reject"), ("T2", "accept"), ("T1", "accept")):
        give_verdict(engine, four, name, verdict, "anna")
    give_verdict(engine, four, "T3", "accept", "ben")
    with writing(engine) as db:
        back = take_back(db, four, "anna", NOON, steps=1)
    assert [(one.take, one.verdict) for one in back] == [("T1", "accept")]
    with reading(engine) as db:
        assert find_take(db, four, "T1").settled  # her first word counts again
        assert {one.take: one.verdict for one in queue(db, four)}["T1"] == "reject"
    with writing(engine) as db:
        assert [one.take for one in take_back(db, four, "anna", NOON, steps=9)] == ["T2", "T1"]
    assert names(engine, four, "anna") == ["T1", "T2", "T4"]
    with reading(engine) as db:
        assert db.scalar(select(func.count()).select_from(tables.verdict)) == 4
        assert [(one.take, one.by) for one in given_verdicts(db, four)] == [("T3", "ben")]


def test_the_same_undo_sent_twice_is_one_step(engine, four):
    for name in ("T1", "T2"):
        give_verdict(engine, four, name, "accept", "anna")
    for _ in range(2):
        with writing(engine) as db:
            assert [one.take for one in take_back(db, four, "anna", NOON, key="undo-0001")] == ["T2"]
    assert names(engine, four, "anna") == ["T2", "T3", "T4"]


def test_the_same_verdict_sent_twice_counts_once(engine, four):
    first = give_verdict(engine, four, "T1", "accept", "anna", key="click-0001")
    assert give_verdict(engine, four, "T1", "accept", "anna", key="click-0001") == first
    with reading(engine) as db:
        assert len(given_verdicts(db, four)) == 1


@pytest.mark.parametrize("other", [("T2", "accept", "anna"), ("T1", "reject", "anna"), ("T1", "accept", "ben")])
def test_a_key_used_for_something_else_is_refused(engine, four, other):
    give_verdict(engine, four, "T1", "accept", "anna", key="click-0001")
    with pytest.raises(StoreError, match="already used for another"):
        give_verdict(engine, four, *other, key="click-0001")


def test_the_numbers_of_change_go_up_for_verdicts_and_takes_apart(engine, four):
    with reading(engine) as db:
        before = changes(db, four)
    give_verdict(engine, four, "T1", "accept", "anna")
    with reading(engine) as db:
        after = changes(db, four)
    assert (after["takes"], after["verdicts"]) == (before["takes"], before["verdicts"] + 1)
    with writing(engine) as db:
        save_take(db, four, take("T5"))
    with reading(engine) as db:
        assert changes(db, four)["takes"] > before["takes"]


def test_many_at_once_lose_no_verdict_and_settle_rightly(engine, four):
    # Each of six gives a verdict on the same take at the same moment: whoever comes last must see all the others.
    def one(n: int) -> None:
        give_verdict(engine, four, "T1", "accept" if n % 2 else "reject", f"p{n}", key=f"click-{n:04}")

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(one, range(6)))
    with reading(engine) as db:
        assert len(given_verdicts(db, four)) == 6
        found = find_take(db, four, "T1")
        assert found.disputed and not found.settled
        assert changes(db, four)["verdicts"] == 6


def test_the_list_of_sessions_counts_what_is_done(engine, four):
    give_verdict(engine, four, "T1", "accept", "anna")
    with reading(engine) as db:
        (one,) = progress(db)
    assert (one.takes, one.settled, one.disputed, one.expected_rejects) == (4, 1, 0, pytest.approx(0.875))


def test_what_a_session_adds_up_to_is_taken_as_kept_until_it_changes(engine, four):
    with writing(engine) as db:
        kept = tallies(db, [four])[four] | {"settled": 3}  # unlike the truth, so that one sees where it comes from
        save_sheet_parts(db, four, {"progress": kept}, state_of(db, four, "1"), 0.1)
    with reading(engine) as db:
        assert [one.settled for one in progress(db, "1")] == [3]
        assert [one.settled for one in progress(db, "2")] == [0]
    give_verdict(engine, four, "T1", "accept", "anna")
    with reading(engine) as db:
        assert [one.settled for one in progress(db, "1")] == [1]


def test_good_neighbours_are_near_little_doubted_and_not_rejected(engine, session_id):
    plan = {"A": (60,), "B": (60,), "C": (60,), "D": (61,), "E": (60,), "F": (70,)}
    doubts = {"A": 0.9, "B": 0.1, "C": 0.05, "D": 0.01, "E": 0.8, "F": 0.0}
    with writing(engine) as db:
        for name, pitches in plan.items():
            save_take(db, session_id, take(name, pitches=pitches))
        save_take(db, session_id, replace(take("G", pitches=(60,)), dynamic="pp"))
        judged = tuple(NoteJudgement(name, 1, doubt, doubt, 0.0) for name, doubt in doubts.items())
        save_judgement(db, session_id, Judgement("m", notes=judged))
        own = find_take(db, session_id, "A").id
    give_verdict(engine, session_id, "C", "reject", "anna")
    with reading(engine) as db:
        found = neighbour_notes(db, own, 1, 10)
    # B has the same pitch, D is a semitone above, E is doubtful itself; C is rejected, F too far, G another dynamic.
    assert [(one.take, one.semitones) for one in found] == [("B", 0), ("D", 1), ("E", 0)]


def test_the_repetitions_of_a_cell_are_those_of_the_sheets_pitch_however_played(engine, session_id):
    wrong = take("B", pitches=(60, 61))
    wrong = replace(wrong, notes=(replace(wrong.notes[0], pitch_midi=62), wrong.notes[1]))
    with writing(engine) as db:
        for one in (take("A", pitches=(61, 60, 60)), wrong, take("C", pitches=(60,)), take("D", pitches=(60,))):
            save_take(db, session_id, one)
        save_take(db, session_id, replace(take("E", pitches=(60,)), dynamic="pp"))
        save_judgement(db, session_id, Judgement("m", notes=(NoteJudgement("D", 1, 0.9, 0.9, 0.0),)))
        own, other = (find_take(db, session_id, name).id for name in "AB")
    give_verdict(engine, session_id, "C", "reject", "anna")
    with reading(engine) as db:
        assert [(one.take, one.note) for one in repetition_notes(db, own, 2)] == [("A", 3), ("B", 1), ("D", 1)]
        assert [(one.take, one.note) for one in repetition_notes(db, other, 1)] == [("A", 2), ("A", 3), ("D", 1)]
        assert repetition_notes(db, own, 9) == ()


def test_an_accepted_neighbour_comes_before_an_unheard_one_of_the_same_pitch(engine, session_id):
    with writing(engine) as db:
        for name in ("A", "B", "C"):
            save_take(db, session_id, take(name, pitches=(60,)))
        own = find_take(db, session_id, "A").id
    give_verdict(engine, session_id, "C", "accept", "anna")
    with reading(engine) as db:
        assert [(one.take, one.accepted) for one in neighbour_notes(db, own, 1)] == [("C", True), ("B", False)]


def test_an_upgraded_store_knows_what_was_heard_before(address):
    engine = open_store(address)
    with writing(engine) as db:
        metadata.drop_all(db)
        db.execute(text("DROP TABLE alembic_version"))
    with writing(engine) as db:
        schema.migrate(db, "0002")
        db.execute(
            text(
                "INSERT INTO session (id, name, folder, date, a4_hz, taken_in_at) "
                "VALUES (1, 's', 'f', '2026-03-14', 442, '2026-03-14 10:00:00')"
            )
        )
        for n, words in enumerate((("reject", "accept"), ("accept", "unsure"), ()), 1):
            db.execute(
                text(
                    "INSERT INTO take (id, session_id, name, expected_pitches, listened, rank) "
                    f"VALUES ({n}, 1, 'T{n}', '[]', true, {n})"
                )
            )
            for word in words:
                row = {"take_id": n, "verdict": word, "by": "anna", "at": NOON}
                columns = [tables.verdict.c[name] for name in row]
                db.execute(insert(tables.verdict).from_select(columns, select(*(text(f":{k}") for k in row))), row)
    engine.dispose()
    assert upgrade_store(address)[0] == "0002"
    engine = open_store(address)
    with reading(engine) as db:
        found = {one.name: (one.heard, one.settled) for one in take_page(db, 1, "all", 0, 10)[0]}
        assert [one.name for one in next_takes(db, 1, "anna", 9)] == ["T3"]
        assert [one.name for one in next_takes(db, 1, "ben", 9)] == ["T2", "T3"]
    engine.dispose()
    assert found == {"T1": (True, True), "T2": (True, False), "T3": (False, False)}


def test_people_judge_and_undo_while_takes_come_in_and_are_ranked_anew(engine, four):
    wrong: list[BaseException] = []

    def intake() -> None:
        for n in range(12):
            with writing(engine) as db:
                save_take(db, four, take(NAMES[n % 4], audio_digest="ab"[n % 2]))
            with writing(engine) as db:
                rank(db, four)

    def editor(by: str) -> None:
        for n in range(12):
            give_verdict(engine, four, NAMES[n % 4], "accept", by)
            if n % 3 == 2:
                with writing(engine) as db:
                    take_back(db, four, by, NOON, steps=2)

    def tried(work, *arguments) -> None:
        try:
            work(*arguments)
        except BaseException as error:  # a deadlock would show as one
            wrong.append(error)

    with ThreadPoolExecutor(4) as pool:
        waiting = [pool.submit(tried, intake), *(pool.submit(tried, editor, by) for by in ("anna", "ben", "cleo"))]
        for one in waiting:
            one.result()
    assert wrong == []
    with reading(engine) as db:
        assert db.scalar(select(func.count()).select_from(tables.verdict)) == 36
        assert len(given_verdicts(db, four)) == 36 - 3 * 8
