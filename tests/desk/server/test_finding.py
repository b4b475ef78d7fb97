"""The list of takes and the list of sessions: search, filters, order, pages, on both databases."""

import re

import pytest

from triage.store.engine import open_store, reading
from triage.store.finding import Wanted, find_takes


def listed(person, query: str) -> list[str]:
    answer = person.get(f"/s/1/queue/list?{query}")
    assert answer.status_code == 200, answer.text
    return re.findall(r'queue\?take=\d+">(\w+)<', answer.text)


@pytest.fixture
def anna(either_desk):
    return either_desk.person()


@pytest.mark.parametrize(
    "query, takes",
    [
        ("", ["T001", "T002", "T003", "T004"]),
        ("q=t003", ["T003"]),
        ("q=%25", []),  # the sign itself, no wildcard
        ("instrument=horn&dynamic=ff", ["T001", "T002", "T003", "T004"]),
        ("instrument=tuba", []),
        ("pitch=D4", ["T001", "T002", "T003", "T004"]),
        ("pitch=63", []),
        ("kind=length", ["T001"]),
        ("kind=click&mic=room", ["T001"]),
        ("kind=length&mic=room", []),
        ("show=settled", ["T002"]),
        ("show=all&person=anna", ["T002", "T004"]),
        ("person=anna", ["T004"]),
        ("show=all&sort=take&page=9", []),
        ("show=nonsense&sort=nonsense", ["T001", "T003", "T004"]),
    ],
)
def test_takes_are_found_by_what_they_are_and_what_was_said(anna, query, takes):
    if "show" in query or "person" in query:
        anna.post("/api/takes/2/verdict", {"verdict": "accept", "key": "click-0001"})
        anna.post("/api/takes/4/verdict", {"verdict": "unsure", "key": "click-0002"})
    assert listed(anna, query) == takes


def test_what_is_no_pitch_is_said_in_one_line(anna):
    answer = anna.get("/s/1/queue/list?pitch=H4")
    assert answer.status_code == 400 and "H4" in answer.text and "no pitch" in answer.text


def test_pages_follow_one_another_and_hold_every_take_once(either_desk):
    engine = open_store(either_desk.settings.store)
    with reading(engine) as db:
        pages = [find_takes(db, 1, Wanted("all", sort="longest", page=page), 3) for page in (1, 2)]
    engine.dispose()
    assert [take.name for page in pages for take in page.takes] == ["T001", "T002", "T003", "T004"]
    assert {page.total for page in pages} == {4}


def test_a_filter_has_an_address_of_its_own_and_changing_it_begins_at_the_first_page():
    asked = Wanted("all", instrument="horn", page=7)
    assert asked.query(kind="attack") == "?show=all&instrument=horn&kind=attack"
    assert asked.query(page=8) == "?show=all&instrument=horn&page=8"
    assert Wanted().query() == "?"


def test_sessions_are_found_by_name_and_day(anna):
    for query, found in (("", True), ("?q=MILL", True), ("?q=2026-03", True), ("?q=weir", False)):
        assert ("/s/1/queue" in anna.get(f"/{query}").text) == found, query
    assert "Saturday, 14 March 2026" in anna.get("/").text
