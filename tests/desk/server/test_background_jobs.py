"""Sheets of whole sessions come from the store, made beside the desk: once, anew after a change, and by whoever."""

import os
import signal
import time

from tests.commands import sqlite
from tests.desk.server.evening import TAKES
from training.consistency_truth import Planted, plant
from triage.desk import background_jobs
from triage.desk import sheet_views as shown_sheets
from triage.desk.background_jobs import SHEETS, BackgroundJobs, make_sheet
from triage.desk.pages_sheets import ROWS, page_of_calls
from triage.domain.errors import StoreError
from triage.sheets.consistency import consistency
from triage.store.changes import bump
from triage.store.engine import open_store, reading, writing

SOON_S = 60.0


def until(true):
    end_s = time.monotonic() + SOON_S
    while not (found := true()):
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.05)
    return found


def test_a_page_comes_at_once_and_shows_the_sheet_once_it_is_made(either_desk):
    anna = either_desk.person()
    began_s = time.monotonic()
    first = anna.get("/s/1/noise")
    assert first.status_code == 200 and time.monotonic() - began_s < 5.0
    if "data-waits" in first.text:
        assert "being made for the first time" in first.text
    page = until(lambda: (text := anna.get("/s/1/noise").text) and "data-waits" not in text and text)
    assert "noise hits</dt><dd>4</dd>" in page


def test_after_a_word_the_sheet_before_is_shown_until_the_new_one_is_there(desk, monkeypatch):
    anna = desk.person()
    until(lambda: "data-waits" not in anna.get("/s/1/pickups").text)
    monkeypatch.setattr(background_jobs, "WAIT_S", 0.0)
    for take in range(1, len(TAKES) + 1):  # of one take alone another would fill the cells
        posted = anna.post(f"/api/takes/{take}/verdict", {"verdict": "reject", "key": f"one-word-{take}"})
        assert posted.status_code == 200
    page = anna.get("/s/1/pickups").text
    assert "Something has changed since" in page and "cells filled" in page
    page = until(lambda: (text := anna.get("/s/1/pickups").text) and "data-waits" not in text and text)
    assert "rejected" in page


def test_the_consistency_report_says_whether_it_still_holds_and_a_plot_is_fetched_by_itself(desk):
    anna = desk.person()
    answer = until(lambda: (found := anna.get("/api/s/1/consistency").json())["holds"] and found)
    assert set(answer["report"]) >= {"empty", "sentences", "more", "strays", "plots"}
    assert anna.get("/api/s/1/consistency/99").status_code == 404


def test_what_the_consistency_report_calls_listed_below_is_below(tmp_path):
    engine = open_store(sqlite(tmp_path))
    plant(engine, Planted({}, dynamics=("p", "ff"), pitches=10, repetitions=2, sessions=1), seed=2)
    with reading(engine) as db:
        shown, every = shown_sheets.consistency_parts(db, 0)["consistency"], consistency(db, []).spreads
    engine.dispose()
    told = {one.replace("♯", "#") for one in shown["sentences"] + shown["more"]}
    assert every and {one.sentence for one in every} <= told


def test_a_sheet_that_still_holds_is_not_made_again(store, monkeypatch):
    engine, made = open_store(store), []
    monkeypatch.setitem(shown_sheets.SHEETS, "noise", lambda db, session: made.append(session) or {"noise": 1})
    assert [make_sheet(engine, "noise", 1) for _ in range(3)] == [True, False, False]
    with writing(engine) as db:
        bump(db, 1, "takes")
    assert make_sheet(engine, "noise", 1) and made == [1, 1]
    engine.dispose()


def test_a_desk_whose_worker_is_lost_still_answers_and_starts_another(desk, monkeypatch):
    anna, background = desk.person(), desk.app.state.desk.background
    until(lambda: "data-waits" not in anna.get("/s/1/noise").text)
    first = background._worker
    os.kill(first._pid, signal.SIGKILL)
    monkeypatch.setattr(background_jobs, "AGAIN_S", 0.0)
    assert anna.post("/api/takes/1/verdict", {"verdict": "reject", "key": "one-word"}).status_code == 200
    assert anna.get("/s/1/pickups").status_code == 200
    until(lambda: "data-waits" not in anna.get("/s/1/pickups").text)
    assert background._worker is not first


def test_a_sheet_that_cannot_be_made_is_tried_again_only_after_a_change_and_an_idle_desk_rests(store, monkeypatch):
    tries, looks = [], []

    class Refusing:
        def __init__(self, _store):
            pass

        def make(self, what, session_id):
            tries.append(what)
            raise StoreError("it cannot be made")

        def kill(self):
            pass

    monkeypatch.setattr(background_jobs, "_Worker", Refusing)
    monkeypatch.setattr(background_jobs, "LOOK_S", 0.01)
    monkeypatch.setattr(background_jobs, "PAUSES_UNASKED", 0.0)
    cached_state = background_jobs.cached_state
    monkeypatch.setattr(background_jobs, "cached_state", lambda *given: looks.append(1) or cached_state(*given))
    engine = open_store(store)
    jobs = BackgroundJobs(engine, store)
    jobs.start()
    until(lambda: jobs._settled is not None)
    before = len(looks)
    time.sleep(0.5)  # fifty looks at the counters
    assert sorted(tries) == sorted(SHEETS) and len(looks) == before
    with writing(engine) as db:
        bump(db, 1, "takes")
    until(lambda: len(tries) == 2 * len(SHEETS))
    jobs.end()
    engine.dispose()


def test_a_page_holds_so_many_cells_and_says_where_the_next_begins():
    calls = [{"name": name, "rows": list(range(n))} for name, n in (("a", ROWS - 10), ("b", 30), ("c", 5))]
    shown, onward = page_of_calls(calls, 0)
    told = [(call["name"], call["number"], len(call["rows"])) for call in shown]
    assert told == [("a", 1, ROWS - 10), ("b", 2, 10)]
    shown, end = page_of_calls(calls, onward)
    assert [(call["name"], call["rows"]) for call in shown] == [("b", list(range(10, 30))), ("c", list(range(5)))]
    assert (onward, end) == (ROWS, None) and page_of_calls([], 0) == ([], None)
