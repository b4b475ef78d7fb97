"""What the engineer makes of files that did not arrive as they should, at the desk."""

from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, writing
from triage.store.takes import find_session


def odd(desk):
    engine = open_store(desk.settings.store)
    with writing(engine) as db:
        missing = ArrivalProblem("missing", take="T002", mic="room")
        stray = ArrivalProblem("unexpected", "audio/stray.wav")
        save_arrivals(db, find_session(db).id, Arrivals((missing, stray), 3))
    engine.dispose()


def test_each_file_has_its_actions_and_keeps_who_and_when(desk):
    odd(desk)
    bert = desk.person("bert", "engineer")
    page = bert.get("/s/1/arrivals").text
    assert page.count("data-action=") == 5 and "Belongs there" in page
    answer = bert.post("/api/s/1/arrivals", {"action": "will-not-come", "take": "T002", "mic": "room"})
    assert answer.json() == {"done": "will not come"}
    stray = {"action": "belongs", "path": "audio/stray.wav", "of_take": "T002", "of_mic": "room"}
    assert bert.post("/api/s/1/arrivals", stray).json() == {"done": "belongs to T002, room"}
    page = desk.person("anna", "editor").get("/s/1/arrivals").text
    assert "will not come" in page and "bert, 20" in page and "belongs to T002, room" in page
    assert "data-action=" not in page


def test_what_cannot_be_is_refused(desk):
    odd(desk)
    bert = desk.person("bert", "engineer")
    gone = {"action": "ignore", "path": "audio/other.wav"}
    assert bert.post("/api/s/1/arrivals", gone).status_code == 404
    assert bert.post("/api/s/1/arrivals", {"action": "burn", "path": "audio/stray.wav"}).status_code == 422
    unnamed = bert.post("/api/s/1/arrivals", {"action": "belongs", "path": "audio/stray.wav"})
    assert unnamed.status_code in (400, 422) and "the take and the microphone" in unnamed.text
    mine = {"action": "ignore", "path": "audio/stray.wav"}
    assert desk.person("anna", "editor").post("/api/s/1/arrivals", mine).status_code == 403
