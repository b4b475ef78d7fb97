"""The members of a group of noises at the desk, and corrections that count at once."""

import pytest

from tests.noisy import CHAIR, save_noisy
from triage.ranking.session import rank_session
from triage.store.engine import open_store, reading, writing
from triage.store.hits import hits
from triage.store.spots import spots_of
from triage.store.takes import find_session, take_ids


@pytest.fixture
def noisy(desk):
    """Return the engine of the desk's store with a second session, one chair creaking through it."""
    engine = open_store(desk.settings.store)
    with writing(engine) as db:
        save_noisy(db)
    with reading(engine) as db:
        session = find_session(db, "mill-day2-b")
    rank_session(engine, session.id, session.a4_hz)
    yield engine, session.id
    engine.dispose()


def members(person, session_id, group=CHAIR):
    return person.get(f"/api/s/{session_id}/noise/hits?group={group}").json()


def test_every_member_of_a_group_can_be_heard(desk, noisy):
    _, session_id = noisy
    found = members(desk.person("eve", "editor"), session_id)
    assert [one["take"] for one in found] == [f"T{n:03}" for n in range(3, 13)]
    assert found[0]["note"] == 3 and found[0]["kind"] == "creak" and not found[0]["corrected"]
    assert found[0]["sound"].startswith(f"/audio/takes/{found[0]['take_id']}/room?start_s=5.5")


def test_a_correction_counts_at_once_in_sheet_queue_and_doubt(desk, noisy):
    engine, session_id = noisy
    bert = desk.person("bert", "engineer")
    first, second = members(bert, session_id)[:2]
    span = {"start_s": first["start_s"], "end_s": first["end_s"]}
    answer = bert.post(f"/api/s/{session_id}/noise/hits/{first['id']}", {"kind": None, **span})
    assert answer.status_code == 200, answer.text
    span = {"start_s": second["start_s"] + 0.1, "end_s": second["end_s"]}
    bert.post(f"/api/s/{session_id}/noise/hits/{second['id']}", {"kind": "knock", **span})
    with reading(engine) as db:
        kinds = {hit.take: hit for hit in hits(db, session_id) if hit.mic == "room"}
        spots = spots_of(db, list(take_ids(db, session_id).values()))
    assert first["take"] not in kinds and kinds[second["take"]].kind == "knock"
    assert kinds[second["take"]].start_s == pytest.approx(second["start_s"] + 0.1)
    assert not [spot for spot in spots.get(first["take"], ()) if spot.kind == "creak"]


def test_only_who_may_corrects_and_only_what_there_is(desk, noisy):
    _, session_id = noisy
    hit = members(desk.person("bert", "engineer"), session_id)[0]
    address, span = f"/api/s/{session_id}/noise/hits/{hit['id']}", {"start_s": 6.0, "end_s": 6.5}
    assert desk.person("eve", "editor").post(address, {"kind": "knock", **span}).status_code == 403
    bert = desk.person("bert", "engineer")
    assert bert.post(address, {"kind": "bang", **span}).status_code == 422
    assert bert.post(address, {"kind": "knock", "start_s": 6.0, "end_s": 6.0}).status_code == 422
    assert bert.post(f"/api/s/{session_id}/noise/hits/999999", {"kind": "knock", **span}).status_code == 404
