"""Sheets are kept with what they were made of, on both databases, and replaced whole."""

from triage.domain.take import Take
from triage.store.cached_sheets import ALL, cached_state, find_sheet, save_sheet_parts, state_of
from triage.store.changes import bump
from triage.store.engine import reading, writing
from triage.store.takes import save_take


def test_a_sheet_holds_until_takes_or_verdicts_of_its_session_change(engine, session_id):
    with writing(engine) as db:
        save_take(db, session_id, Take("T001", "f"))
        of = state_of(db, session_id, "1")
        save_sheet_parts(db, session_id, {"noise": {"hits": 3, "mic": "naïve ♯"}}, of, 0.5)
    with reading(engine) as db:
        kept = find_sheet(db, session_id, "noise")
        assert (kept.body, kept.of, kept.cost_s) == ({"hits": 3, "mic": "naïve ♯"}, of, 0.5)
        assert find_sheet(db, session_id, "pickups") is find_sheet(db, session_id + 1, "noise") is None
        assert cached_state(db, ["noise", "pickups"]) == {(session_id, "noise"): of}
        assert state_of(db, session_id, "2") != of  # another version of the tool makes it anew
    for what in ("takes", "verdicts"):
        with writing(engine) as db:
            before = state_of(db, session_id, "1")
            bump(db, session_id, what)
            assert before != state_of(db, session_id, "1") != of


def test_a_sheet_is_replaced_with_all_its_parts_and_no_other_is_touched(engine, session_id):
    with writing(engine) as db:
        save_sheet_parts(
            db, session_id, {"consistency": 1, "consistency/0": "a", "consistency/1": "b"}, (1, 0, "1"), 0.1
        )
        save_sheet_parts(db, ALL, {"consistency": 2, "consistency/0": "c"}, (1, 0, "1"), 0.1)
        save_sheet_parts(db, session_id, {"noise": 3}, (1, 0, "1"), 0.1)
        save_sheet_parts(db, session_id, {"consistency": 4, "consistency/0": "d"}, (2, 0, "1"), 0.1)

    def bodies(of):
        found = [find_sheet(db, of, what) for what in ("consistency", "consistency/0", "consistency/1", "noise")]
        return [one and one.body for one in found]

    with reading(engine) as db:
        assert bodies(session_id) == [4, "d", None, 3]
        assert bodies(ALL) == [2, "c", None, None]


def test_the_state_of_all_sessions_changes_with_any(engine, session_id):
    with writing(engine) as db:
        before = state_of(db, ALL, "1")
        bump(db, session_id, "verdicts")
        assert state_of(db, ALL, "1") == (before[0], before[1] + 1, "1")
