"""What takes long is made once, and anew when the session changed."""

import threading
import time

from triage.desk.kept import Kept
from triage.store.changes import bump
from triage.store.engine import open_store, reading, writing


def test_a_thing_is_made_again_only_when_its_session_changed(store):
    engine, kept, made = open_store(store), Kept(), []

    def ask(what="list", session_id=1):
        with reading(engine) as db:
            return kept.get(db, what, session_id, lambda: made.append(what) or len(made))

    assert [ask(), ask(), ask("sheet"), ask("list", 2), ask()] == [1, 1, 2, 3, 1]
    with writing(engine) as db:
        bump(db, 1, "verdicts")
    assert [ask(), ask(), ask("list", 2)] == [4, 4, 3]
    engine.dispose()


def test_many_who_ask_at_once_have_it_made_once(store):
    engine, kept, made, got = open_store(store), Kept(), [], []

    def slow():
        time.sleep(0.1)
        made.append(1)
        return "made"

    def ask():
        with reading(engine) as db:
            got.append(kept.get(db, "list", 1, slow))

    askers = [threading.Thread(target=ask) for _ in range(5)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    engine.dispose()
    assert got == ["made"] * 5 and made == [1]


def test_only_so_many_things_are_kept(store):
    engine, kept, made = open_store(store), Kept(most=2), []
    with reading(engine) as db:
        for what in ("a", "b", "c", "c", "b", "a"):
            kept.get(db, what, 1, lambda what=what: made.append(what))
    engine.dispose()
    assert made == ["a", "b", "c", "a"]
