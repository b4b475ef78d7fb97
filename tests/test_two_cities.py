"""A whole day by the command line, in two cities: recorded, checked, handed over, received, gone on with.

On the way: a microphone's file that comes late, a disk that is not mounted, a copy in another place, a bag that
breaks off, verdicts undone in the hall after the first bag was sent, and a record that somebody has altered.
"""

import json
import shutil
from datetime import UTC, datetime

import bagit
import pytest

from tests.commands import asked, run, sqlite
from tests.noisy import CHAIR, ranked_store
from tests.sessions import play, row, write_takes
from triage.domain.arrivals import ArrivalAction
from triage.ranking.session import mark_groups
from triage.store.arrival_actions import record_action
from triage.store.engine import open_store, reading, writing
from triage.store.harmless_groups import marks
from triage.store.session_record import add_session_record, session_record
from triage.store.takes import find_session
from triage.store.verdicts import take_back

SHEET = {f"T{n}": tuple(range(47 + 3 * n, 50 + 3 * n)) for n in range(1, 7)}
GIVEN = {"T1": "accept", "T2": "reject", "T3": "accept", "T4": "unsure", "T5": None, "T6": None}


@pytest.fixture(scope="module")
def hall(tmp_path_factory):
    """Return the session's folder and the hall's store; tests leave both as they are."""
    return evening(tmp_path_factory.mktemp("evening"))


def evening(tmp_path):
    """Return the session's folder and the hall's store, six takes taken in and verdicts given."""
    takes = {name: play([p for p in own for _ in range(2)], n) for n, (name, own) in enumerate(SHEET.items())}
    folder = write_takes(tmp_path / "hall" / "mill", takes, [row(name, own) for name, own in SHEET.items()])
    store = sqlite(tmp_path / "hall")
    late = folder / "audio" / "T6_room.wav"
    late.rename(tmp_path / "late.wav")
    output = run("intake", folder, "--store", store)
    assert output.status == 3 and asked("arrivals", store)["missing"] == [{"take": "T6", "mic": "room"}]
    assert waiting(store) == 6  # all notes of T6 wait for its file: nobody is called to play them again
    (tmp_path / "late.wav").rename(late)
    assert run("intake", folder, "--store", store).status == 0 and waiting(store) == 0
    for take, verdict, *more in (
        ("T1", "accept"),
        ("T2", "reject", "--reason", "length"),
        ("T3", "accept"),
        ("T3", "reject", "--note", "2", "--reason", "creak"),
        ("T4", "unsure"),
    ):
        assert run("verdict", take, verdict, *more, "--by", "anna", "--store", store).status == 0
    assert run("keep", "--keep", "T1:1:2", "--by", "lena", "--store", store).status == 0
    return folder, store


def waiting(store):
    return json.loads(run("pickups", "--format", "json", "--store", store).out)["waiting"]


def standing(store):
    return {one["take"]: one["verdict"] for one in asked("queue", store)["takes"]}


def kept(store):
    output = run("keep", "--format", "json", "--store", store)
    return [(one["take"], one["note"]) for group in json.loads(output.out)["groups"] for one in group["kept"]]


def sent(bag, tmp_path):
    """Copy a bag to the other city, times as they fall."""
    there = tmp_path / "away" / "mill-bag"
    shutil.rmtree(there, ignore_errors=True)
    shutil.copytree(bag, there, copy_function=shutil.copyfile)
    return there


def test_work_goes_on_in_the_other_city_where_it_was_left(hall, tmp_path):
    folder, here = hall
    before, chosen = standing(here), kept(here)
    assert run("handover", folder, "--store", here).status == 0
    bag = folder.parent / "mill-bag"
    bagit.Bag(str(bag)).validate()
    notes = json.loads((bag / "record/notes.json").read_text())["notes"]
    assert len(notes) == 36 and {note["sheet_midi"] for note in notes} == {p for own in SHEET.values() for p in own}
    assert all(note["doubt"] is not None and note["measurements"]["length_s"] > 0 for note in notes)
    there, far = sent(bag, tmp_path), sqlite(tmp_path, "far")
    assert run("receive", there).status == 0
    output = run("intake", there, "--store", far)
    assert output.status == 0 and "taken over from the bag: 5 verdicts, 1 choices of notes" in output.err
    assert standing(far) == before == GIVEN
    assert kept(far) == chosen and asked("queue", far)["takes"][0] == asked("queue", here)["takes"][0]
    again = run("intake", there, "--store", far)
    assert again.status == 0 and "taken over" not in again.err


def test_a_second_bag_brings_what_is_new_and_what_was_taken_back(tmp_path):
    folder, here = evening(tmp_path)
    run("handover", folder, "--store", here)
    far = sqlite(tmp_path, "far")
    run("intake", sent(folder.parent / "mill-bag", tmp_path), "--store", far)
    run("verdict", "T5", "accept", "--by", "ben", "--store", far)
    engine = open_store(here)
    with writing(engine) as db:  # as U does at the desk
        take_back(db, find_session(db).id, "anna", datetime.now(UTC))
    engine.dispose()
    run("verdict", "T6", "reject", "--by", "anna", "--store", here)
    assert run("handover", folder, "--store", here).status == 0
    output = run("intake", sent(folder.parent / "mill-bag", tmp_path), "--store", far)
    assert output.status == 0 and "taken over from the bag: 1 verdicts, 0 choices" in output.err
    assert standing(far) == GIVEN | {"T4": None, "T5": "accept", "T6": "reject"}


def test_a_harmless_noise_stays_harmless_in_the_other_city(tmp_path, monkeypatch):
    with ranked_store(sqlite(tmp_path, "here")) as (here, _), ranked_store(sqlite(tmp_path, "far")) as (far, session):
        mark_groups(here, session, [CHAIR], "ben")
        with reading(here) as db:
            record = session_record(db, session.name)
        with writing(far) as db:
            assert add_session_record(db, record).marks == 1
            assert add_session_record(db, record).marks == 0
            assert marks(db)[CHAIR].harmless


@pytest.mark.parametrize("how", ["altered", "of another session"])
def test_a_record_that_is_not_the_bags_is_refused_and_the_recordings_are_taken_in(hall, tmp_path, how):
    folder, here = hall
    run("handover", folder, "--store", here)
    there, far = sent(folder.parent / "mill-bag", tmp_path), sqlite(tmp_path, "far")
    people = there / "record" / "people.json"
    other = people.read_text().replace("anna", "eve" if how == "altered" else "anna")
    people.write_text(other if how == "altered" else other.replace('"mill-day2-b"', '"mill-day1"', 1))
    if how == "of another session":
        bagit.Bag(str(there)).save(manifests=True)
    output = run("intake", there, "--store", far)
    assert output.status == 1 and output.err.count("\n") == 1 and str(people) in output.err
    assert standing(far) == dict.fromkeys(GIVEN)


def test_mishaps_of_the_way_are_named_and_change_nothing(hall, tmp_path):
    folder, here = hall
    before = asked("queue", here)
    audio = folder / "audio"
    audio.rename(tmp_path / "unmounted")
    assert run("intake", folder, "--store", here).status == 1
    output = run("handover", folder, "--store", here, "--to", tmp_path / "empty-bag")
    assert output.status == 3 and output.err.count("all of it missing") == 6
    (tmp_path / "unmounted").rename(audio)
    copy = shutil.copytree(folder, tmp_path / "copy")
    assert "this is a copy of it" in run("intake", copy, "--store", here).err
    run("handover", folder, "--store", here)
    there = sent(folder.parent / "mill-bag", tmp_path)
    (there / "data/audio/T3_close.wav").unlink()
    assert run("receive", there).status == 3
    far = sqlite(tmp_path, "far")
    assert run("intake", there, "--store", far).status == 3  # the rest goes on
    assert asked("arrivals", far)["missing"] == [{"take": "T3", "mic": "close"}]
    assert asked("queue", here) == before


def test_a_copy_that_is_cut_short_is_the_engineers_and_calls_nobody_until_it_is_copied_again(hall, tmp_path):
    folder, here = hall
    run("handover", folder, "--store", here)
    there, far = sent(folder.parent / "mill-bag", tmp_path), sqlite(tmp_path, "far")
    cut, whole = there / "data/audio/T5_close.wav", (folder / "audio/T5_close.wav").read_bytes()
    cut.write_bytes(whole[: len(whole) // 2])
    received = run("receive", there)
    assert received.status == 3 and "T5_close.wav" in received.out
    assert run("intake", there, "--store", far).status == 3
    found = json.loads(run("pickups", "--format", "json", "--store", far).out)
    assert found["waiting"] == 6 and any("T5" in json.dumps(one) for one in found["for_engineer"])
    assert "T5" not in json.dumps(found["calls"])
    assert not any(take == "T5" for take, _ in listed(far, tmp_path / "while cut short"))
    cut.write_bytes(whole)
    assert run("receive", there).status == 0 and run("intake", there, "--store", far).status == 0
    assert waiting(far) == 0 and standing(far) == GIVEN


def test_the_keepers_written_in_the_other_city_are_clean_and_the_same(hall, tmp_path):
    folder, here = hall
    run("handover", folder, "--store", here)
    far = sqlite(tmp_path, "far")
    run("intake", sent(folder.parent / "mill-bag", tmp_path), "--store", far)
    written = listed(far, tmp_path / "far keepers")
    assert written == listed(here, tmp_path / "keepers here")
    assert ("T1", 1) in written and not any(take == "T2" or (take, note) == ("T3", 2) for take, note in written)


def listed(store, folder):
    """Write markers and lists, and return the notes in them."""
    assert run("keep", "--cue", folder, "--store", store).status == 0
    found = json.loads((folder / "keepers.json").read_text())
    assert all(one["files"] for one in found["kept"])
    return [(one["take"], one["note"]) for one in found["kept"]]


def test_a_file_under_a_wrong_name_is_read_as_what_the_engineer_says_it_is(tmp_path):
    folder = write_takes(tmp_path / "mill", {"T1": play([53, 53, 54, 54], 1)}, [row("T1", (53, 54))])
    store = sqlite(tmp_path)
    (folder / "audio/T1_room.wav").rename(folder / "audio/roomX.wav")
    assert run("intake", folder, "--store", store).status == 3
    assert asked("arrivals", store)["unexpected"] == ["audio/roomX.wav"]
    engine = open_store(store)
    with writing(engine) as db:
        said = ArrivalAction("belongs", "bert", datetime.now(UTC), "audio/roomX.wav", of_take="T1", of_mic="room")
        record_action(db, find_session(db).id, said)
    engine.dispose()
    assert run("intake", folder, "--store", store).status == 0
    found = asked("arrivals", store)
    assert (found["unexpected"], found["missing"], found["complete"]) == ([], [], 1)
    assert (folder / "audio/roomX.wav").is_file()  # no file was touched
