"""The review through HTTP, as a page does it: next take, verdict, undo, what is left, on both databases."""

import threading
import time

from tests.verdicts import given_verdicts
from triage.desk.background_jobs import BackgroundJobs
from triage.domain.take import Take
from triage.store.engine import open_store, reading, writing
from triage.store.takes import find_session, save_take


def accept(person, take_id, key, **more):
    return person.post(f"/api/takes/{take_id}/verdict", {"verdict": "accept", "key": key, **more})


def test_a_whole_review_goes_down_the_queue_and_says_what_is_left(either_desk):
    anna = either_desk.person()
    heard, left = [], None
    for step in range(9):
        answer = anna.get("/api/s/1/next?n=2").json()
        left = answer["left"]
        if not answer["takes"]:
            break
        take = answer["takes"][0]
        heard.append((take["take"], left["takes"], left["can_stop"]))
        answer = accept(anna, take["id"], f"click-{step:04}").json()
        assert answer["left"]["takes"] == left["takes"] - 1
    # Doubts of 0.9, 0.4, 0.2 and 0.1 against a bound of one reject: 1.6 expected at first, 0.7 after one take. Still
    # nobody may stop, for no take was heard as a random sample.
    assert heard == [("T001", 4, False), ("T002", 3, False), ("T003", 2, False), ("T004", 1, False)]
    assert (left["takes"], left["settled"], left["expected_rejects"]) == (0, 4, 0)


def test_a_take_is_shown_with_all_that_the_page_needs(desk):
    take = desk.person().get("/api/s/1/next?n=1").json()["takes"][0]
    spot = take["spots"][0]
    assert (spot["why"], spot["note"], spot["found"], spot["expected"], spot["unit"]) == (
        "0.21 s longer than its neighbours",
        1,
        0.62,
        0.41,
        "s",
    )
    assert spot["play"] == {"start_s": 0.0, "end_s": 1.4}  # half a second around it, cut at the take's start
    assert [mic["name"] for mic in take["mics"]] == ["close", "room"]
    assert [note["pitch"] for note in take["notes"]] == ["C4", "D4"]
    assert take["hits"][0]["mics"] == ["room"] and take["back"] is None


def test_a_spot_names_its_measurement_and_its_note_what_was_expected_with_the_band(either_desk):
    take = either_desk.person().get("/api/s/1/next?n=1").json()["takes"][0]
    assert [one["measurement"] for one in take["spots"]] == ["length_s", None]
    first, second = take["notes"]
    assert first["values"]["length_s"] == take["spots"][0]["found"]
    assert first["expected"] == {"length_s": [0.41, 0.3, 0.55], "level_dbfs": [-20, -22, -18]}
    assert first["expected"]["length_s"][0] == take["spots"][0]["expected"]
    assert second["expected"] == {"length_s": [0.5, 0.4, 0.6]}  # nothing is shown of what is not known


def test_a_note_can_be_drawn_beside_its_neighbours_on_one_axis(desk):
    anna = desk.person()
    curves = anna.get("/api/takes/1/notes/1/curves/close").json()
    level = curves["level"]
    # Uniform noise of -20 dBFS at its peaks has an RMS of 20 log10(0.1 / sqrt(3)) = -24.8 dBFS.
    assert level["from_s"] == -0.1 and abs(sum(level["dbfs"]) / len(level["dbfs"]) + 24.8) < 0.2
    assert len(level["dbfs"]) == round(1.2 / level["hop_s"]) + 1
    assert curves["pitch"] == {"from_s": 0, "hop_s": 0.02, "cents": [0, None]}
    answer = anna.get("/api/takes/1/notes/1/neighbours?mic=room&n=1").json()
    found, others = answer["neighbours"], answer["repetitions"]
    assert others and {(one["take_id"], one["note"]) for one in others}.isdisjoint({(found[0]["take_id"], 1), (1, 1)})
    assert found[0]["values"].keys() >= {"length_s", "cents"} and found[0]["picture"].endswith("/picture/room")
    assert anna.get("/api/takes/1/notes/1/curves/spot").json()["level"] is None
    assert anna.get("/api/takes/1/notes/1/curves/close?of=weight").status_code in (400, 422)
    loudness = anna.get("/api/takes/1/notes/1/curves/close?of=loudness").json()["level"]
    assert loudness["from_s"] == 0.1 and max(loudness["lufs"]) > -24.8  # K weighting lifts what lies above 2 kHz
    assert anna.get("/api/takes/1/notes/9/curves/close").status_code == 404


def test_a_second_person_is_heard_and_the_disagreement_shown(either_desk):
    anna, ben = either_desk.person("anna"), either_desk.person("ben", "producer")
    take_id = anna.get("/api/s/1/next?n=1").json()["takes"][0]["id"]
    accept(anna, take_id, "click-0001")
    answer = ben.post(
        f"/api/takes/{take_id}/verdict",
        {"verdict": "reject", "key": "click-0001", "reason": "attack", "comment": "splits"},
    ).json()
    assert answer["verdicts"]["disagreements"] == [{"note": None, "accept": ["anna"], "reject": ["ben"]}]
    assert [(one["by"], one["reason"], one["comment"]) for one in answer["verdicts"]["history"]] == [
        ("anna", None, None),
        ("ben", "attack", "splits"),
    ]
    cleo = either_desk.person("cleo", "lead")
    assert cleo.get("/api/s/1/next?n=1").json()["takes"][0]["id"] == take_id
    assert anna.get("/api/s/1/next?n=1").json()["takes"][0]["id"] != take_id
    listed = anna.get("/api/s/1/list?show=disputed").json()["takes"]
    assert [(one["take"], one["verdicts"]) for one in listed] == [("T001", {"anna": "accept", "ben": "reject"})]


def test_undo_brings_the_take_back_to_its_place(either_desk):
    anna = either_desk.person()
    for step, take in enumerate(anna.get("/api/s/1/next?n=3").json()["takes"]):
        accept(anna, take["id"], f"click-{step:04}", notes=[1] if step == 2 else [])
    undone = anna.post("/api/s/1/undo", {"key": "undo-0001", "steps": 2}).json()
    assert [(one["take"], one["note"]) for one in undone["taken_back"]] == [("T003", 1), ("T002", None)]
    assert undone["left"]["takes"] == 3
    assert anna.post("/api/s/1/undo", {"key": "undo-0001", "steps": 2}).json()["taken_back"] == undone["taken_back"]
    assert anna.get("/api/s/1/next").json()["takes"][0]["take"] == "T002"
    history = anna.get(f"/api/takes/{undone['taken_back'][1]['take_id']}").json()["verdicts"]["history"]
    assert [one["taken_back"] for one in history] == [True]


def test_one_verdict_on_several_notes_is_taken_back_by_its_key_whatever_came_after(either_desk):
    anna = either_desk.person()
    take_id = anna.get("/api/s/1/next?n=1").json()["takes"][0]["id"]
    accept(anna, take_id, "click-0001", notes=[2, 1, 2])
    answer = accept(anna, take_id, "click-0002").json()
    assert answer["verdicts"]["people"] == {"anna": {"take": "accept", "notes": {"1": "accept", "2": "accept"}}}
    of = ["click-0001.1", "click-0001.2"]
    ben = either_desk.person("ben")
    assert ben.post("/api/s/1/undo", {"key": "undo-0001", "of": of}).json()["taken_back"] == []
    undone = anna.post("/api/s/1/undo", {"key": "undo-0001", "of": of}).json()
    assert sorted(one["note"] for one in undone["taken_back"]) == [1, 2]
    verdicts = anna.get(f"/api/takes/{take_id}").json()["verdicts"]
    assert verdicts["people"] == {"anna": {"take": "accept", "notes": {}}}
    refused = accept(anna, take_id, "click-0003", notes=[1, 9])
    assert refused.status_code == 400 and "no note 9" in refused.json()["error"]
    assert anna.get(f"/api/takes/{take_id}").json()["verdicts"] == verdicts  # none of it was stored


def test_a_changed_take_comes_back_with_the_reason(desk, store):
    anna = desk.person()
    take_id = anna.get("/api/s/1/next?n=1").json()["takes"][0]["id"]
    accept(anna, take_id, "click-0001")
    engine = open_store(store)
    with writing(engine) as db:
        changed = Take("T001", "new", "horn", "staccato", "ff", None, (60, 62), 1, audio_digest="another sound")
        save_take(db, 1, changed)
    engine.dispose()
    take = anna.get(f"/api/takes/{take_id}").json()
    assert take["back"].startswith("its sound changed after anna said accept on ")
    assert not take["settled"]


def test_everybody_sets_their_own_bound(desk):
    anna, ben = desk.person("anna"), desk.person("ben")
    assert anna.post("/api/me/preferences", {"bound_rejects": 2.5}).json()["bound_rejects"] == 2.5
    assert [one.get("/api/s/1/left").json()["bound"] for one in (anna, ben)] == [2.5, 1.0]
    refused = anna.post("/api/me/preferences", {"bound_rejects": "many"})
    assert refused.status_code == 400 and "number from 0 to 1000" in refused.json()["error"]


def test_six_people_at_once_lose_nothing_and_double_nothing(either_desk):
    people = [either_desk.person(f"editor {n}") for n in range(6)]
    takes = [take["id"] for take in people[0].get("/api/s/1/list").json()["takes"]]
    wrong: list[str] = []

    def work(n: int) -> None:
        for step in range(20):
            body = {"verdict": ("accept", "reject", "unsure")[(n + step) % 3], "key": f"click-{step:04}"}
            # Each click is sent twice, as by a browser that was not sure whether it had got through.
            answers = [people[n].post(f"/api/takes/{takes[step % 4]}/verdict", body) for _ in range(2)]
            if {one.status_code for one in answers} != {200} or len({one.json()["verdict"] for one in answers}) != 1:
                wrong.append(answers[0].text)

    workers = [threading.Thread(target=work, args=(n,)) for n in range(6)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert wrong == []
    engine = open_store(either_desk.settings.store)
    with reading(engine) as db:
        kept = given_verdicts(db, find_session(db).id)
    engine.dispose()
    assert len(kept) == 6 * 20
    for n in range(6):
        mine = [one.verdict for one in kept if one.by == f"editor {n}"]
        assert mine == [("accept", "reject", "unsure")[(n + step) % 3] for step in range(20)]


def test_what_was_answered_is_there_after_the_desk_is_started_again(serve, store):
    first = serve(store)
    anna = first.person()
    take_id = anna.get("/api/s/1/next?n=1").json()["takes"][0]["id"]
    accept(anna, take_id, "click-0001")
    cookie = dict(anna.client.cookies)
    first.stop()
    second = serve(store)
    client = second.stranger()
    name = f"desk-{second.settings.port}"
    client.cookies.set(name, cookie[f"desk-{first.settings.port}"])
    assert client.get("/api/me").json()["name"] == "anna"
    assert client.get("/api/s/1/next?n=1").json()["takes"][0]["id"] != take_id


def test_a_change_by_another_process_is_told_to_open_pages(desk, store):
    anna = desk.person()
    events: list[str] = []

    def listen() -> None:
        with anna.client.stream("GET", "/api/s/1/live") as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            for line in answer.iter_lines():
                events.append(line)
                if len([one for one in events if one.startswith("data:")]) == 2:
                    return

    listener = threading.Thread(target=listen)
    listener.start()
    until_s = time.monotonic() + 10
    while not any(one.startswith("data:") for one in events) and time.monotonic() < until_s:
        time.sleep(0.01)
    engine = open_store(store)
    with writing(engine) as db:
        save_take(db, 1, Take("T005", "f"))
    engine.dispose()
    listener.join(10)
    data = [one for one in events if one.startswith("data:")]
    assert not listener.is_alive() and len(data) == 2 and data[0] != data[1]
    assert anna.get("/api/s/1/change").json()["takes"] > 0


def test_a_desk_with_open_pages_stops_when_told(serve, store):
    one = serve(store)
    anna = one.person()
    with anna.client.stream("GET", "/api/s/1/live") as answer:
        lines = answer.iter_lines()
        next(lines)
        one.server.should_exit = True
        one.thread.join(15)
        assert not one.thread.is_alive()


def test_enough_new_verdicts_start_learning_once_and_fewer_do_not(desk, monkeypatch):
    started = []
    monkeypatch.setattr("triage.desk.pages_models.is_installed", lambda command: True)
    monkeypatch.setattr("triage.desk.pages_models.LEARN_AFTER", 2)
    monkeypatch.setattr(BackgroundJobs, "run", lambda self, arguments, by: started.append((arguments, by)))
    anna = desk.person()
    first, second = (take["id"] for take in anna.get("/api/s/1/next?n=2").json()["takes"])
    assert accept(anna, first, "click-0001").status_code == 200 and started == []
    assert accept(anna, second, "click-0002").status_code == 200
    assert started == [(["retrain", "--by=the desk"], "the desk")]
