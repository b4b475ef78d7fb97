"""Disputes end: whoever may decide settles one with a reason, and everybody who counts verdicts counts that."""

import pytest

from triage.store.engine import open_store, reading
from triage.store.soundness import verdict_states
from triage.store.standing import take_verdicts


def say(person, word, key, notes=(), **more):
    body = {"verdict": word, "key": key, "notes": list(notes), **more}
    return person.post("/api/takes/1/verdict", body)


@pytest.fixture
def dispute(either_desk):
    """Anna rejects note 1 of a take and accepts the take; ben accepts all of it."""
    anna, ben = either_desk.person("anna"), either_desk.person("ben")
    say(anna, "reject", "click-0001", [1], reason="attack", comment="splits")
    say(anna, "accept", "click-0002")
    say(ben, "accept", "click-0003")
    return either_desk


def outcomes(desk):
    engine = open_store(desk.settings.store)
    with reading(engine) as db:
        found, wrong = take_verdicts(db, 1), verdict_states(db)
    engine.dispose()
    assert wrong == []
    return found.outcome(1).verdict, found.outcome(2).verdict, found.settled, found.rejected


def test_a_producer_settles_a_note_with_a_reason_and_undoes_it(dispute):
    petra = dispute.person("petra", "producer")
    assert outcomes(dispute) == ("disputed", "accept", False, False)
    assert say(petra, "accept", "click-0001", [1], settles=True).status_code == 400
    answer = say(petra, "accept", "click-0002", [1], settles=True, comment="it is in character").json()
    assert answer["verdicts"]["disagreements"] == [] and answer["verdicts"]["settled"]
    assert outcomes(dispute) == ("accept", "accept", True, False)
    assert dispute.person("lena", "lead").get("/api/s/1/list?show=disputed").json()["takes"] == []
    petra.post("/api/s/1/undo", {"key": "undo-0001"})
    assert outcomes(dispute) == ("disputed", "accept", False, False)


def test_what_settles_the_take_settles_its_disputed_notes_and_leaves_the_others(dispute):
    petra = dispute.person("petra", "producer")
    assert say(petra, "reject", "click-0001", settles=True, reason="attack").status_code == 200
    # Note 1 was disputed, note 2 has ben's and anna's accept of the whole take against petra's reject.
    assert outcomes(dispute) == ("reject", "reject", True, True)
    cleo = dispute.person("cleo")
    say(cleo, "accept", "click-0001")  # who comes later opens nothing again
    assert outcomes(dispute) == ("reject", "reject", True, True)


def test_only_who_may_settle_can_and_that_is_set_for_everybody(dispute):
    lena, anna = dispute.person("lena", "lead"), dispute.person("anna")
    assert say(lena, "reject", "click-0001", [1], settles=True, reason="attack").status_code == 403
    assert lena.post("/api/shared-settings", {"settled_by": ["lead", "producer"]}).status_code == 200
    assert say(anna, "reject", "click-0009", [1], settles=True, reason="attack").status_code == 403
    assert say(lena, "reject", "click-0002", [1], settles=True, reason="attack").status_code == 200
    assert outcomes(dispute) == ("reject", "accept", True, True)
    assert lena.post("/api/shared-settings", {"settled_by": ["nobody"]}).status_code == 400
