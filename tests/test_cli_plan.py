"""`triage pickups` and `triage keep` as they are called, and a real session through the whole house."""

import csv
import io
import json

import pytest
from wavinfo import WavInfoReader

from tests.commands import run, sqlite
from tests.planned import PlannedTake, fill, spot
from tests.sessions import play, row, write_takes
from triage.store.engine import open_store, reading
from triage.store.plan import sheet
from triage.store.takes import find_session, takes


@pytest.fixture
def store(tmp_path):
    address = sqlite(tmp_path)
    engine = open_store(address)
    fill(
        engine,
        [PlannedTake("T1", (69, 70), repetitions=2, spots=(spot("T1", "creak", 1), spot("T1", "creak", 2)))],
        planned=[PlannedTake("T2", (71,))],
    )
    engine.dispose()
    return address


def test_pickups_come_in_four_forms(store, tmp_path):
    output = run("pickups", "--store", store, "--format", "json")
    found = json.loads(output.out)
    assert output.status == 0 and output.err == ""
    assert (found["cells"], found["wanted"], found["clean"], found["missing"]) == (3, 5, 2, 3)
    pickups = [p for call in found["calls"] for one in call["passes"] for p in one["pickups"]]
    assert [(p["pitch"], p["missing"], p["tier"]) for p in pickups] == [("A4", 2, "doubtful"), ("B4", 1, "none")]
    assert pickups[0]["reason"] == "A4 ff: 0 of 2 clean; both with a creak"
    assert "not medical advice" in found["caution"]
    rows = list(csv.DictReader(io.StringIO(run("pickups", "--store", store, "--format", "csv").out)))
    assert [(one["call"], one["instrument"], one["pitch"], one["takes"]) for one in rows] == [
        ("1", "horn", "A4", "T1"),
        ("1", "horn", "B4", "T2"),
    ]
    table = run("pickups", "--store", store).out
    assert "both with a creak" in table and "2 of 5 notes of the plan clean, 3 to record again" in table
    out = tmp_path / "stand.html"
    assert run("pickups", "--store", store, "--format", "html", "--out", out).status == 0
    assert out.read_text().startswith("<!doctype html>") and "A4" in out.read_text()


def test_the_bound_and_the_number_of_repetitions_can_be_set(store):
    found = json.loads(run("pickups", "--store", store, "--format", "json", "--bound", "0.005").out)
    assert found["clean"] == 0 and found["doubt_bound"] == 0.005
    found = json.loads(run("pickups", "mill-day2-b", "--store", store, "--format", "json", "--repetitions", "3").out)
    assert found["wanted"] == 9


def test_an_unknown_session_or_store_is_one_line(store, tmp_path):
    assert "no session 'mil'" in run("pickups", "mil", "--store", store).err
    assert run("pickups", "--store", sqlite(tmp_path, "none")).status == 1
    assert run("pickups", "--store", store, "--bound", "2").status == 2
    assert run("keep", "--store", store, "--format", "html").status == 2


def test_keep_shows_costs_and_takes_choices(store):
    output = run("keep", "--store", store, "--keep", "T1:1", "--by", "anna", "--format", "json")
    assert output.status == 0
    (group,) = json.loads(output.out)["groups"]
    first = next(note for note in group["kept"] if note["chosen"])
    assert (first["take"], first["note"], first["clean"]) == ("T1", 1, True)  # heard by whoever chose it
    assert group["method"] == "shortest path"
    out = run("keep", "--store", store, "--format", "csv", "--repetitions", "1").out
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [(one["note"], one["chosen"]) for one in rows] == [("1", "True"), ("3", "False")]
    parts = ("own", "repeats", "below", "above")
    assert all(float(one["cost"]) == pytest.approx(sum(float(one[p]) for p in parts), abs=3e-3) for one in rows)
    assert run("keep", "--store", store, "--free", "T1:1", "--by", "anna").status == 0
    table = run("keep", "--store", store).out
    assert "chosen by a person" not in table and "nothing to choose from" in table and "nan" not in table


@pytest.mark.parametrize("word", ["T1", "T1:x", ":3", "T1:", "T1:3:x"])
def test_a_place_that_is_none_is_one_line(store, word):
    output = run("keep", "--store", store, "--keep", word, "--by", "anna")
    assert output.status == 1 and output.err.count("\n") == 1 and "TAKE:NOTE" in output.err


def test_cue_markers_go_into_a_folder_of_their_own(store, tmp_path):
    folder = tmp_path / "markers"
    output = run("keep", "--store", store, "--cue", folder)
    assert (output.status, "2 notes that are not clean left out" in output.err) == (0, True)
    listed = json.loads((folder / "keepers.json").read_text())
    assert len(listed["left_out"]) == 2 and all(one["why"] for one in listed["left_out"])
    with (folder / "keepers.csv").open() as rows:
        assert [row["take"] for row in csv.DictReader(rows)] == [one["take"] for one in listed["kept"]]
    info = WavInfoReader(str(folder / "mill-day2-b" / "T1_keep.wav"))
    # Notes begin at whole seconds of a take at 48 kHz.
    assert [cue.sample_offset for cue in info.cues.cues] == [144_000, 192_000]
    assert info.cues.labels[0].text.startswith("keep A#4 staccato ff rep ")
    assert run("keep", "--store", store, "--cue", folder, "--cue-silence").status == 0
    assert (folder / "mill-day2-b" / "T1_keep.wav").stat().st_size > 5 * 48_000
    (tmp_path / "session.toml").write_text("")
    assert "inside the session" in run("keep", "--store", store, "--cue", folder).err


def test_a_session_with_a_lost_take_and_a_missing_note_from_files_to_pickups(tmp_path):
    # T1 plays 53 54 twice each; T2 was to hold 55 56 and lacks the last note; T3 was never recorded.
    takes_ = {"T1": play([53, 53, 54, 54], 1), "T2": play([55, 55, 56], 2)}
    rows = [row("T1", [53, 54]), row("T2", [55, 56]), row("T3", [57])]
    folder = write_takes(tmp_path / "mill", takes_, rows)
    store = sqlite(tmp_path)
    assert run("intake", folder, "--store", store).status == 3
    found = json.loads(run("pickups", "--store", store, "--bound", "1", "--format", "json").out)
    pickups = {p["pitch"]: p["reason"] for call in found["calls"] for one in call["passes"] for p in one["pickups"]}
    assert pickups["A3"] == "A3 mf: 0 of 2 clean; no take yet"
    assert pickups["G#3"].startswith("G#3 mf: 1 of 2 clean")
    assert set(pickups) == {"A3", "G#3"}
    engine = open_store(store)
    with reading(engine) as db:
        session = find_session(db)
        assert [one.take for one in sheet(db, session.id)] == ["T1", "T2", "T3"]
        assert {take.recorded_from for take in takes(db, session.id)} == {"file time"}
        assert all(take.recorded_at for take in takes(db, session.id))
    engine.dispose()
