"""Takes that come out of turn, through HTTP as a page asks: announced, counted, unannounced where they come again."""

from datetime import UTC, datetime

import pytest

from tests.verdicts import given_verdicts
from triage.judge.active_learning import Mix
from triage.store.engine import open_store, reading, writing
from triage.store.models import StoredModel, add_model
from triage.store.takes import find_session, random_order_of


def judge(person, take, key, verdict="accept"):
    body = {"verdict": verdict, "key": key, "audio_digest": take["audio_digest"], "shown": take["shown"]}
    answer = person.post(f"/api/takes/{take['id']}/verdict", body)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_what_comes_at_random_says_so_and_speaks_against_stopping_where_it_is_bad(either_desk, monkeypatch):
    monkeypatch.setattr("triage.desk.takes.MIX", Mix(0, 1.0, 0))
    anna, left = either_desk.person(), {}
    order = sorted(range(1, 5), key=lambda i: random_order_of(1, f"T00{i}"))
    assert order == [1, 2, 4, 3]
    assert anna.post("/api/me/preferences", {"bound_rejects": 0.5}).status_code == 200
    for step, verdict in enumerate(("accept", "accept", "reject")):
        take = anna.get("/api/s/1/next?n=1").json()["takes"][0]
        assert (take["take"], take["shown"]) == (f"T00{order[step]}", "random")
        left = judge(anna, take, f"click-{step:04}", verdict)["left"]
        # Only what was heard beyond the first unheard take tells of the rest.
        assert (left["sample"] is not None) == (step == 2)
    # T003 and T004 hold 0.2 + 0.1 + 2 (1 - 0.1) = 2.1 rejects, one of them heard; 0 or 1 can be left, so not 1.1.
    assert left["sample"] == {"expected": 1.0, "low": 0, "high": 1, "unheard": 1, "sampled": 1}
    assert left["expected_rejects"] == 0.2 and not left["can_stop"]


def test_with_the_switch_off_all_come_by_doubt(either_desk, monkeypatch):
    monkeypatch.setattr("triage.desk.takes.MIX", Mix(0, 1.0, 0))
    anna = either_desk.person()
    assert anna.get("/api/me").json()["preferences"]["teaching"] == "on"
    anna.post("/api/me/preferences", {"teaching": "off"})
    takes = anna.get("/api/s/1/next?n=4").json()["takes"]
    assert [(take["take"], take["shown"]) for take in takes] == [(f"T00{i}", None) for i in range(1, 5)]


def test_what_comes_again_looks_unheard_and_is_kept_as_blind(either_desk, monkeypatch):
    anna = either_desk.person()
    judge(anna, anna.get("/api/s/1/next?n=1").json()["takes"][0], "click-0001", "reject")
    monkeypatch.setattr("triage.desk.takes.MIX", Mix(0, 0, 1.0))
    monkeypatch.setattr("triage.store.review_sampling.FORGOTTEN", 0)
    take = anna.get("/api/s/1/next?n=1").json()["takes"][0]
    assert (take["take"], take["shown"]) == ("T001", "repeat")
    assert (take["heard"], take["settled"], take["verdicts"]["history"], take["back"]) == (False, False, [], None)
    judge(anna, take, "click-0002")
    engine = open_store(either_desk.settings.store)
    with reading(engine) as db:
        given = [(one.verdict, one.blind) for one in given_verdicts(db, find_session(db, "mill").id)]
    engine.dispose()
    assert given == [("reject", False), ("accept", True)]
    shown = anna.get(f"/api/takes/{take['id']}").json()["verdicts"]
    assert shown["people"] == {"anna": {"take": "reject", "notes": {}}}
    assert anna.get("/api/s/1/next?n=1").json()["takes"][0]["take"] == "T002"  # no third time


def test_nobody_makes_a_first_word_blind_by_saying_so(either_desk):
    anna = either_desk.person()
    take = anna.get("/api/s/1/next?n=1").json()["takes"][0] | {"shown": "repeat"}
    assert judge(anna, take, "click-0001")["verdicts"]["settled"]


@pytest.mark.parametrize("kappa", [0.62, None])
def test_the_models_page_says_how_far_people_agree_where_it_can_be_told_and_what_to_hear_again(desk, kappa):
    bounds = (None, None) if kappa is None else (0.4, 0.8)
    row = {"people": ["anna", "ben"], "kappa": kappa, "low": bounds[0], "high": bounds[1], "agreed": 0.9, "n": 40}
    word = {"session": "mill", "take": "T002", "note": 1, "said": "reject", "probability": 0.04}
    card = {"agreement": [row], "contradictions": [word], "words": 40, "rejects": 9, "people": [], "sessions": []}
    engine = open_store(desk.settings.store)
    with writing(engine) as db:
        made = datetime(2026, 3, 15, tzinfo=UTC)
        add_model(db, StoredModel("verdicts-1", made, "petra", "notes-1", "0", card), b"none")
    engine.dispose()
    page = desk.person("petra", "producer").get("/models").text
    assert ("How far people agree" in page) == ("0.62" in page) == (kappa is not None)
    assert "Verdicts worth re-checking" in page and "mill T002" in page
