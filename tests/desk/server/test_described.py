"""schemathesis over the desk's description, a few requests of each kind; more by the command in ``described.py``."""

from tests.desk.server.described import faults, whole_description


def test_the_description_holds_every_route():
    paths = whole_description()["paths"]
    assert {"/", "/sign-in", "/api/takes/{take_id}/verdict", "/audio/takes/{take_id}/{mic}", "/models"} <= set(paths)
    assert not any(path.endswith("live") for path in paths) and len(paths) > 30


def test_no_request_makes_the_desk_fail(desk):
    found, statuses = faults(desk, examples=3)
    assert found == []
    assert statuses[200] > 40 and statuses[404] > 10 and statuses[422] > 40  # it was not all turned away at once
