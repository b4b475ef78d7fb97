"""The page where the library is put together: candidates, choices, the list of clean notes."""

import pytest

from tests.planned import PlannedTake, fill, spot
from triage.desk.background_jobs import make_sheet
from triage.store.engine import open_store


@pytest.fixture
def planned(desk):
    """Return the id of a session with two pitches twice each, one note of them creaking."""
    engine = open_store(desk.settings.store)
    takes = [PlannedTake("T1", (69, 70), repetitions=2, spots=(spot("T1", "creak", 1),))]
    session_id = fill(engine, takes, "keep")
    make_sheet(engine, "keepers", session_id)
    yield session_id
    engine.dispose()


def renewed(desk, session_id):
    engine = open_store(desk.settings.store)
    make_sheet(engine, "keepers", session_id)
    engine.dispose()


def test_each_cell_shows_its_notes_and_what_is_not_clean(desk, planned):
    page = desk.person("lena", "lead").get(f"/s/{planned}/keepers").text
    assert page.count('class="keep-cell"') == 2 and page.count("data-note=") == 4
    assert "4 of 4 kept, 1 of them not clean" in page and "with a creak" in page
    assert "nothing to choose from" in page and "nan" not in page


def test_the_list_holds_clean_notes_alone_and_says_what_it_leaves_out(desk, planned):
    found = desk.person("lena", "lead").get(f"/s/{planned}/keepers.json").json()
    assert [one["note"] for one in found["kept"]] == [2, 3, 4] and found["left_out"] == 1


def test_a_choice_locks_a_note_for_whoever_may_and_can_be_undone(desk, planned):
    lena, body = desk.person("lena", "lead"), {"take": "T1", "note": 1, "kept": True}
    assert desk.person("anna", "editor").post(f"/api/s/{planned}/keepers", body).status_code == 403
    assert lena.post(f"/api/s/{planned}/keepers", body).json() == body
    renewed(desk, planned)
    page = lena.get(f"/s/{planned}/keepers").text
    assert page.count("locked") >= 2 and "of them not clean" not in page  # heard by whoever chose it
    assert lena.post(f"/api/s/{planned}/keepers", body | {"kept": False}).status_code == 200
    renewed(desk, planned)
    assert "1 of them not clean" in lena.get(f"/s/{planned}/keepers").text
    assert lena.post(f"/api/s/{planned}/keepers", body | {"take": "T9"}).status_code in (400, 404, 422)
