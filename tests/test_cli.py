"""The command line: what goes to stdout and stderr, in which shape, and the exit status."""

import csv
import io
import json
import os
import subprocess
import sys
import types
from datetime import UTC, date, datetime
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from tests.verdicts import given_verdicts
from triage.cli import main as cli
from triage.cli.output import csv_text, json_text
from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.domain.hit import Hit
from triage.domain.judgement import Judgement, NoteJudgement, TakeJudgement
from triage.domain.measurements import MEASUREMENTS
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.spot import Spot
from triage.domain.take import NoiseFloor, Take
from triage.pipeline import Permitted, Summary
from triage.store.accounts import save_person
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, reading, writing
from triage.store.ranking import save_judgement
from triage.store.takes import find_session, save_session, save_take

COMMANDS = (
    "new",
    "intake",
    "watch",
    "reembed",
    "queue",
    "notes",
    "hits",
    "arrivals",
    "verdict",
    "desk",
    "people",
    "upgrade",
)
MILL = ("--session", "mill-day2-b")
WHY = "0.21 s longer than its neighbours"


def save_session_with_takes(db, name: str, day: int) -> int:
    session_id = save_session(
        db, Session(name, name, date(2026, 3, day), 48_000, 442.0, "close"), datetime(2026, 3, day, tzinfo=UTC)
    )
    note = Note(1, 12.31, 12.74, 13.0, 54, 54, {"cents": -3.14159, "length_s": 0.6200004})
    hit = Hit("creak", 20.00049, 20.2, "room", ("room", "close"), -52.0, 11.0, 0.912345, None)
    floor = (NoiseFloor("room", -70.0),)
    cell = ("horn", "staccato", "ff")
    for take, floors in (("T011", floor), ("T012", (NoiseFloor("room", -66.0),))):
        record = Take(take, "f", *cell, duration_s=41.0, notes=(note,), hits=(hit,), floors=floors)
        save_take(db, session_id, record)
    return session_id


def save_doubts(db, session_id: int) -> None:
    spots = (
        Spot("T012", 12.31, 12.74, 1, "length", 0.91, WHY, None, 0.62, 0.41, "s"),
        Spot("T012", 20.0, 20.2, None, "creak", 0.5, "=creak", "room", -52.0, None, "dBFS"),
    )
    takes = (TakeJudgement("T012", 0.94, 3.1, 1), TakeJudgement("T011", 0.00004999, 0.0, 2))
    notes = (NoteJudgement("T012", 1, 0.91, 0.876543, 2.5),)
    save_judgement(db, session_id, Judgement("small 1.0", takes, notes, spots))


@pytest.fixture
def store(tmp_path, monkeypatch) -> str:
    """A filled store with two sessions, named by the environment; other-day was taken in first."""
    address = f"sqlite:///{tmp_path / 'filled.db'}"
    engine = open_store(address)
    with writing(engine) as db:
        save_session_with_takes(db, "other-day", 13)
        save_doubts(db, save_session_with_takes(db, "mill-day2-b", 14))
    engine.dispose()
    monkeypatch.setenv("TRIAGE_STORE", address)
    return address


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Run a command in an empty folder; give its exit status, stdout and stderr."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setenv("COLUMNS", "80")

    def run_one(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            cli.main(arguments)
        out, err = capsys.readouterr()
        return int(left.value.code or 0), out, err

    return run_one


def test_every_command_has_help_with_an_example_and_the_store_option(run):
    for name in COMMANDS:
        status, out, err = run(name, "--help")
        assert (status, err) == (0, "")
        assert f"Example: triage {name}" in out and "--store" in out


def test_the_help_lists_each_command_with_a_whole_sentence(run):
    status, out, _ = run("--help")
    lines = [line for line in out.splitlines() if line.strip().split(" ")[0] in COMMANDS]
    assert status == 0 and len(lines) == len(COMMANDS)
    assert not any(line.endswith("...") for line in lines)


def test_the_queue_as_json_has_the_promised_keys_and_nesting(run, store):
    status, out, err = run("queue", "--format", "json")
    assert (status, err) == (0, "")
    # Programs read these keys: none may go or change its name.
    assert json.loads(out) == {
        "session": "mill-day2-b",
        "model": "small 1.0",
        "takes": [
            {
                "rank": 1,
                "take": "T012",
                "instrument": "horn",
                "articulation": "staccato",
                "dynamic": "ff",
                "doubt": 0.94,
                "listen_s": 3.1,
                "duration_s": 41.0,
                "verdict": None,
                "spots": [
                    {
                        "start_s": 12.31,
                        "end_s": 12.74,
                        "note": 1,
                        "kind": "length",
                        "doubt": 0.91,
                        "mic": None,
                        "found": 0.62,
                        "expected": 0.41,
                        "unit": "s",
                        "why": WHY,
                    },
                    {
                        "start_s": 20.0,
                        "end_s": 20.2,
                        "note": None,
                        "kind": "creak",
                        "doubt": 0.5,
                        "mic": "room",
                        "found": -52.0,
                        "expected": None,
                        "unit": "dBFS",
                        "why": "=creak",
                    },
                ],
            },
            {
                "rank": 2,
                "take": "T011",
                "instrument": "horn",
                "articulation": "staccato",
                "dynamic": "ff",
                "doubt": 0.0,
                "listen_s": 0.0,
                "duration_s": 41.0,
                "verdict": None,
                "spots": [],
            },
        ],
    }


def test_notes_as_json_have_every_measurement_rounded_and_null_where_unknown(run, store):
    _, out, _ = run("notes", "--format", "json")
    result = json.loads(out)
    first, second = result["notes"]
    assert result["session"] == "mill-day2-b"
    assert set(first) >= {"take", "note", "start_s", "end_s", "pitch_midi", "doubt", "reject_probability", "outlier"}
    assert set(first) >= set(MEASUREMENTS)
    assert (first["take"], first["note"], first["doubt"]) == ("T011", 1, None)
    assert (second["cents"], second["length_s"], second["f0_hz"]) == (-3.142, 0.62, None)
    assert (second["reject_probability"], second["outlier"]) == (0.8765, 2.5)


def test_hits_as_json_are_counted_and_have_the_background(run, store):
    _, out, _ = run("hits", "--format", "json")
    result = json.loads(out)
    assert list(result)[:5] == ["session", "hits", "by_mic", "by_kind", "floor"]
    assert result["hits"][0] == {
        "take": "T011",
        "kind": "creak",
        "start_s": 20.0,
        "end_s": 20.2,
        "mic": "room",
        "mics": ["room", "close"],
        "level_dbfs": -52.0,
        "over_floor_db": 11.0,
        "exposed": 0.9123,
        "note": None,
        "group": None,
        "harmless": False,
        **dict.fromkeys(("found_kind", "hz", "natural", "second_mic", "usual_db")),
    }
    assert (result["by_mic"], result["by_kind"]) == ({"room": 2}, {"creak": 2})
    # Median of -70 and -66 dBFS by hand; the louder one was in T012.
    floor = {key: value for key, value in result["floor"][0].items() if value is not None}
    assert floor == {"mic": "room", "level_dbfs": -68.0, "highest_dbfs": -66.0, "highest_take": "T012"}
    assert len(result["floor"]) == 1


def roll_call(store: str, *entries: ArrivalProblem) -> None:
    engine = open_store(store)
    with writing(engine) as db:
        save_arrivals(db, find_session(db).id, Arrivals(entries, 7, ("row 4: no pitch 'H3'",)))
    engine.dispose()


def test_arrivals_as_json_have_the_promised_keys_and_ask_for_a_person(run, store):
    roll_call(
        store,
        ArrivalProblem("missing", take="T003", mic="room"),
        ArrivalProblem("unexpected", path="new.wav"),
        ArrivalProblem("broken", path="T1.wav", why="ends early"),
        ArrivalProblem("unlike", path="T2.wav", what="sample rate", found=44_100, expected=48_000),
    )
    status, out, err = run("arrivals", "--format", "json")
    assert (status, err) == (3, "")
    assert json.loads(out) == {
        "session": "mill-day2-b",
        "missing": [{"take": "T003", "mic": "room"}],
        "unexpected": ["new.wav"],
        "broken": [{"path": "T1.wav", "why": "ends early"}],
        "unlike": [{"path": "T2.wav", "what": "sample rate", "found": 44_100, "expected": 48_000}],
        "complete": 7,
    }


@pytest.mark.parametrize("kind, status", [("missing", 3), ("broken", 3), ("unexpected", 0), ("unlike", 0)])
def test_only_missing_and_broken_files_need_a_person(run, store, kind, status):
    roll_call(store, ArrivalProblem(kind, path="a.wav", take="T1", mic="close"))
    assert run("arrivals", "--format", "csv")[0] == run("arrivals")[0] == status


def test_a_take_that_never_came_is_one_line_with_all_its_microphones(run, store):
    tracks = [(take, mic) for take in ("T003", "T004") for mic in ("close", "room")]
    roll_call(store, *(ArrivalProblem("missing", take=take, mic=mic) for take, mic in tracks))
    lines = [line.split(maxsplit=1)[1] for line in run("arrivals")[1].splitlines() if line.startswith("missing")]
    assert lines == ["take T003, mic close, room", "take T004, mic close, room"]


def test_the_queue_as_csv_has_a_row_a_take_with_its_top_spot(run, store):
    _, out, err = run("queue", "--format", "csv")
    first, second = csv.DictReader(io.StringIO(out))
    assert err == ""
    assert (first["rank"], first["take"], first["spots"]) == ("1", "T012", "2")
    assert first["why"] == f"{WHY}; =creak"
    assert (first["spot_kind"], first["spot_note"], first["spot_found"]) == ("length", "1", "0.62")
    assert (second["take"], second["why"], second["spot_kind"]) == ("T011", "", "")


@pytest.mark.parametrize("name, rows", [("queue", 2), ("notes", 2), ("hits", 2), ("arrivals", 1)])
def test_csv_is_one_header_and_rows_of_equal_length(run, store, name, rows):
    roll_call(store, ArrivalProblem("unexpected", path="new.wav"))
    table = list(csv.reader(io.StringIO(run(name, "--format", "csv")[1])))
    assert len(table) == rows + 1
    assert {len(row) for row in table} == {len(table[0])}


@pytest.mark.parametrize("cell", ["=1+1", "+49 30", "-x", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_csv_cell_is_a_formula_to_a_spreadsheet(cell):
    # The leading characters are those of OWASP's page "CSV Injection" (common practice).
    header, row = csv.reader(io.StringIO(csv_text(["a"], [[cell]]), newline=""))
    assert (header, row) == (["a"], ["'" + cell.replace("\r", "\n")])


@pytest.mark.parametrize("cell, shown", [(-3.5, "-3.5"), (-3, "-3"), ("-3.5", "-3.5"), (None, '""'), ("a=b", "a=b")])
def test_numbers_and_harmless_text_stay_as_they_are_in_csv(cell, shown):
    assert csv_text(["a"], [[cell]]) == f"a\n{shown}\n"


def test_json_has_no_nan_no_negative_zero_and_rounds_lists_too():
    result = {"start_s": float("nan"), "doubt": 0.123456, "levels": [-0.0001, 1.23456], "n": 3, "yes": True}
    assert json.loads(json_text(result)) == {
        "start_s": None,
        "doubt": 0.1235,
        "levels": [0.0, 1.235],
        "n": 3,
        "yes": True,
    }
    assert "-0.0" not in json_text(result)


@pytest.mark.parametrize("name", ["queue", "notes", "hits", "arrivals"])
def test_a_piped_table_is_plain_and_no_row_of_it_is_broken(run, store, name):
    roll_call(store, ArrivalProblem("broken", path="audio/" + "long/" * 40 + "T1.wav", why="ends early"))
    _, out, _ = run(name)
    assert out.startswith("mill-day2-b: ")
    assert name != "arrivals" or sum("audio/" + "long/" * 40 + "T1.wav" in line for line in out.splitlines()) == 1
    assert out.isascii() and "\x1b" not in out


def test_the_table_of_the_queue_says_why_in_words(run, store):
    _, out, _ = run("queue")
    row = next(line for line in out.splitlines() if "T012" in line)
    assert row.split() == [
        "1",
        "0.94",
        "T012",
        "horn",
        "staccato",
        "ff",
        "3.1",
        "s",
        "12.3",
        "s",
        "note",
        "1:",
        *WHY.split(),
    ]


def test_the_head_of_the_queue_says_of_how_many_takes_it_is(run, store):
    assert run("queue", "--top", "1")[1].startswith("mill-day2-b: first 1 of 2 takes, judged by small 1.0\n")
    assert run("queue", "--top", "2")[1].startswith("mill-day2-b: 2 takes, judged by small 1.0\n")


def test_names_cannot_steer_a_terminal_or_be_taken_for_markup(run, store):
    roll_call(store, ArrivalProblem("unexpected", path="a\x1b[31m[bold]b.wav"))
    assert "a?[31m[bold]b.wav" in run("arrivals")[1]


def test_the_session_can_be_named_and_the_head_of_its_queue_shown(run, store):
    result = json.loads(run("queue", "other-day", "--format", "json", "--top", "1")[1])
    assert (result["session"], result["model"], len(result["takes"])) == ("other-day", None, 1)


def test_the_store_option_goes_before_the_environment(run, store, tmp_path):
    status, out, err = run("queue", "--store", f"sqlite:///{tmp_path / 'none.db'}")
    assert (status, out) == (1, "")
    assert err.startswith("error: ") and "none.db" in err and err.count("\n") == 1
    assert not (tmp_path / "none.db").exists()


def test_an_unknown_session_is_one_line_that_names_the_nearest(run, store):
    assert run("notes", "mill-day2") == (1, "", "error: no session 'mill-day2'; nearest: mill-day2-b\n")


@pytest.mark.parametrize(
    "arguments",
    [("queue", "--format", "xml"), ("verdict", "T012", "great"), ("queue", "--top", "0"), ("verdict",), ("lost",)],
)
def test_wrong_usage_is_status_two(run, store, arguments):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "") and "Error" in err


def verdicts_in(store: str):
    engine = open_store(store)
    with reading(engine) as db:
        found = given_verdicts(db, find_session(db).id)
    engine.dispose()
    return found


def test_a_verdict_is_added_and_shown_in_the_queue(run, store):
    status, out, _ = run("verdict", "T012", "reject", "--note", "1", "--reason", "cracked", "--by", "anna", *MILL)
    assert (status, out) == (0, "mill-day2-b: T012 note 1: reject by anna\n")
    run("verdict", "T012", "accept", "--by", "ben", *MILL)
    assert [(v.take, v.note, v.verdict, v.reason, v.by) for v in verdicts_in(store)] == [
        ("T012", 1, "reject", "cracked", "anna"),
        ("T012", None, "accept", None, "ben"),
    ]
    assert json.loads(run("queue", "--format", "json")[1])["takes"][0]["verdict"] == "accept"
    still_open = json.loads(run("queue", "--format", "json", "--open")[1])["takes"]
    assert [(take["rank"], take["take"]) for take in still_open] == [(2, "T011")]


def test_a_verdict_without_a_name_is_by_whoever_is_logged_in(run, store, monkeypatch):
    monkeypatch.setenv("LOGNAME", "carla")
    run("verdict", "T012", "unsure", *MILL)
    assert verdicts_in(store)[0].by == "carla"


def test_a_verdict_that_could_be_of_two_sessions_or_of_nobody_at_the_desk_is_not_guessed(run, store, monkeypatch):
    status, out, err = run("verdict", "T012", "unsure", "--by", "anna")
    assert (status, out) == (1, "")
    assert err == "error: 2 sessions have a take T012: mill-day2-b, other-day; say which one with --session\n"
    engine = open_store(store)
    with writing(engine) as db:
        save_person(db, "anna", "editor")
    engine.dispose()
    monkeypatch.setenv("LOGNAME", "carla")
    status, out, err = run("verdict", "T012", "unsure", *MILL)
    assert (status, out) == (1, "") and "'carla' is none of anna; say so with --by" in err
    assert verdicts_in(store) == ()


def test_verdicts_are_read_from_a_csv_and_only_once(run, store, tmp_path):
    path = tmp_path / "verdicts.csv"
    lines = ("take;verdict;note;reason", "T012;reject;1;cracked", "T011;Accept;;", "T099;reject;;", "T011;maybe;;")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig")
    status, out, err = run("verdict", "--from-csv", str(path), "--by", "anna", *MILL)
    assert (status, out) == (3, f"{path}: 2 verdicts recorded\n")
    first, second = err.splitlines()
    assert first.startswith("note: verdicts.csv line 4: no take 'T099'") and "line 5: verdict 'maybe'" in second
    assert [(v.take, v.note, v.verdict, v.reason) for v in verdicts_in(store)] == [
        ("T012", 1, "reject", "cracked"),
        ("T011", None, "accept", None),
    ]
    assert run("verdict", "--from-csv", str(path), "--by", "anna", *MILL)[1].endswith(
        "0 verdicts recorded, 2 were there already\n"
    )
    assert len(verdicts_in(store)) == 2
    assert run("verdict", "T012", "reject", "--from-csv", str(path))[0] == 2
    (tmp_path / "odd.csv").write_text("a,b\n")
    assert "no column 'take'" in run("verdict", "--from-csv", str(tmp_path / "odd.csv"), "--by", "anna")[2]


def test_a_verdict_on_an_unknown_take_names_the_nearest_and_adds_nothing(run, store):
    status, out, err = run("verdict", "T0012", "accept", "--by", "anna")
    assert (status, out) == (1, "") and err.startswith("error: no take 'T0012'; nearest: T012")
    assert verdicts_in(store) == ()


def pipeline(monkeypatch, needs_person: bool = False, problems: tuple[str, ...] = ()) -> list:
    """Put a pipeline in place that takes in nothing; return the list of what it was called with."""
    calls: list = []

    def take_in(folder, db_engine, progress, cluster, permitted):
        calls.append((folder, db_engine))
        progress("T001 [close]", 1, 2)
        summary = {"session": "mill", "takes": 3, "new_takes": 1}
        return Summary(**summary, problems=list(problems), incomplete=needs_person, sheet_asks=False)

    monkeypatch.setitem(sys.modules, "triage.pipeline", types.SimpleNamespace(take_in=take_in, Permitted=Permitted))
    return calls


def test_intake_makes_the_store_and_says_what_was_new(run, tmp_path, monkeypatch):
    calls = pipeline(monkeypatch)
    address = f"sqlite:///{tmp_path / 'new.db'}"
    status, out, err = run("intake", str(tmp_path), "--store", address)
    assert (status, out, err) == (0, "mill: 3 takes, 1 of them new or changed\n", "")
    assert calls[0][0] == tmp_path and (tmp_path / "new.db").exists()


def test_intake_with_something_missing_is_done_and_asks_for_a_person(run, store, tmp_path, monkeypatch):
    pipeline(monkeypatch, needs_person=True, problems=("row 4:\nno pitch 'H3'",))
    status, out, err = run("intake", str(tmp_path))
    assert (status, out.count("\n")) == (3, 1)
    assert err.splitlines()[0] == "note: row 4: no pitch 'H3'" and "triage arrivals" in err


def test_intake_of_no_folder_is_an_error_and_makes_no_store(run, monkeypatch):
    pipeline(monkeypatch)
    monkeypatch.delenv("TRIAGE_STORE", raising=False)
    status, out, err = run("intake", "nowhere")
    assert (status, out) == (1, "") and err.startswith("error: nowhere: no such folder; `triage new nowhere`")
    assert list(Path.cwd().iterdir()) == []


def test_an_interrupted_intake_leaves_with_130(run, store, tmp_path, monkeypatch):
    def take_in(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "triage.pipeline", types.SimpleNamespace(take_in=take_in, Permitted=Permitted))
    status, out, _ = run("intake", str(tmp_path))
    assert (status, out) == (130, "")


def test_a_bug_keeps_its_traceback(run, store, tmp_path, monkeypatch):
    monkeypatch.setitem(
        sys.modules, "triage.pipeline", types.SimpleNamespace(take_in=lambda *_, **__: 1 / 0, Permitted=Permitted)
    )
    with pytest.raises(ZeroDivisionError):
        cli.main(["intake", str(tmp_path)])


def test_new_writes_the_two_files_to_fill_in(run, monkeypatch):
    names = ("session.toml", "take_sheet.csv")

    def write_template(folder):
        return tuple(folder / name for name in names)

    monkeypatch.setitem(sys.modules, "triage.intake.template", types.SimpleNamespace(write_template=write_template))
    status, out, err = run("new", "mill")
    assert (status, out) == (0, "mill/session.toml\nmill/take_sheet.csv\n") and "`triage intake mill`" in err


def test_upgrade_of_a_new_store_has_nothing_to_do(run, store):
    status, out, _ = run("upgrade")
    assert status == 0 and out.endswith("nothing to do\n")


def plug_in(monkeypatch, *values: tuple[str, str]) -> None:
    found = [EntryPoint(name, value, cli.PLUG_INS) for name, value in values]

    def entry_points(group: str, name: str | None = None) -> list[EntryPoint]:
        return [entry for entry in found if group == entry.group and name in (None, entry.name)]

    monkeypatch.setattr(cli, "entry_points", entry_points)


def test_a_command_of_another_package_runs_and_is_listed(run, monkeypatch):
    def wave(times: int = 1) -> None:
        """Wave as often as you say."""
        print("wave " * times)

    monkeypatch.setitem(sys.modules, "other", types.SimpleNamespace(wave=wave))
    plug_in(monkeypatch, ("wave", "other:wave"))
    assert run("wave", "--times", "2") == (0, "wave wave \n", "")
    assert "Wave as often as you say." in run("--help")[1]


def test_a_broken_command_of_another_package_is_one_line_and_the_rest_works(run, store, monkeypatch):
    plug_in(monkeypatch, ("wave", "no_such_package:wave"), ("queue", "no_such_package:queue"))
    status, out, err = run("--help")
    assert status == 0 and "arrivals" in out
    assert err.startswith("command 'wave'") and err.count("\n") == 1
    assert run("queue", "--format", "json")[::2] == (0, "")
    status, _, err = run("wave")
    assert status == 2 and "no_such_package" in err


def test_a_reader_who_has_read_enough_is_no_error(store):
    engine = open_store(store)
    with writing(engine) as db:
        session_id = find_session(db).id
        for n in range(400):  # more than a pipe holds (64 KiB on Linux)
            save_take(db, session_id, Take(f"X{n:03}", "f", "horn"))
    engine.dispose()
    command = [sys.executable, "-c", "from triage.cli.main import main; main(['queue', '--format', 'json'])"]
    # Unbuffered, Python itself passes over a write that the reader cut short.
    env = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=env) as child:
        assert child.stdout is not None and child.stderr is not None
        child.stdout.read(10)
        child.stdout.close()
        assert child.stderr.read() == b""
    assert child.returncode == 141
