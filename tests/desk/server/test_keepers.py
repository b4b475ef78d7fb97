"""The page where the library is put together: candidates, choices, the list of clean notes."""

import csv
import io
import json
import zipfile
from dataclasses import replace

import pytest
from wavinfo import WavInfoReader

from tests.planned import PlannedTake, fill, spot
from triage.desk.background_jobs import make_sheet
from triage.domain.errors import JudgeError
from triage.sheets.best_set import keep_set
from triage.store.engine import open_store, reading
from triage.transfer.keepers import kept_list


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


def test_the_list_holds_clean_notes_alone_and_names_what_it_leaves_out(desk, planned):
    lena = desk.person("lena", "lead")
    answer = lena.get(f"/s/{planned}/keepers.json")
    found = answer.json()
    assert "keep-keepers.json" in answer.headers["content-disposition"]
    assert [one["note"] for one in found["kept"]] == [2, 3, 4]
    (left,) = found["left_out"]
    assert (left["take"], left["note"], left["why"]) == ("T1", 1, "with a creak")
    rows = list(csv.DictReader(io.StringIO(lena.get(f"/s/{planned}/keepers.csv").text)))
    kept = [(str(one["note"]), str(one["repetition"])) for one in found["kept"]]
    assert [(row["note"], row["repetition"]) for row in rows] == kept
    assert lena.get(f"/s/{planned}/keepers.exe").status_code in (404, 422)


def test_markers_and_lists_come_as_one_archive(desk, planned, tmp_path):
    lena = desk.person("lena", "lead")
    with zipfile.ZipFile(io.BytesIO(lena.get(f"/s/{planned}/keepers.zip").content)) as archive:
        assert archive.namelist() == ["keep/T1_keep.wav", "keepers.csv", "keepers.json"]
        archive.extractall(tmp_path)
    cues = WavInfoReader(str(tmp_path / "keep" / "T1_keep.wav")).cues.cues
    assert [cue.sample_offset for cue in cues] == [96_000, 144_000, 192_000]  # notes 2 to 4, a second each
    assert json.loads((tmp_path / "keepers.json").read_text()) == lena.get(f"/s/{planned}/keepers.json").json()


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda kept: [*kept, kept[-1]], "T1 note 4 stands there twice"),
        (lambda kept: [replace(kept[0], clean=True), *kept[1:]], "T1 note 1: with a creak"),
        (lambda kept: [*kept[:2], replace(kept[2], repetition=1), replace(kept[3], repetition=1)], "fills a place"),
        (lambda kept: [*kept[:3], replace(kept[3], end_s=kept[3].start_s)], "T1 note 4 ends"),
    ],
)
def test_a_list_with_something_in_it_that_should_not_be_is_not_written(desk, planned, spoil, said):
    engine = open_store(desk.settings.store)
    with reading(engine) as db:
        found = keep_set(db, planned)
        assert len(kept_list(db, found).kept) == 3
        group = replace(found.groups[0], kept=tuple(spoil(list(found.groups[0].kept))))
        with pytest.raises(JudgeError, match=f"the list of notes to keep was not written: .*{said}"):
            kept_list(db, replace(found, groups=(group,)))
    engine.dispose()


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
