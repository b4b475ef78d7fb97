"""`triage hits` on the command line: the sheet, the listing with groups, and marks of the harmless."""

import csv
import io
import json

import pytest
from sqlalchemy import select

from tests.commands import run, sqlite
from tests.noisy import CHAIR, OCTAVES, TAKES, save_noisy
from triage.ranking.session import rank_session
from triage.store.engine import open_store, reading, writing
from triage.store.tables import mark
from triage.store.takes import find_session


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    address = sqlite(tmp_path)
    engine = open_store(address)
    with writing(engine) as db:
        save_noisy(db, full_scale_db_spl={"room": 106.0})
    with reading(engine) as db:
        session = find_session(db)
    rank_session(engine, session.id, session.a4_hz)
    engine.dispose()
    return address


def listed(store, *more):
    return json.loads(run("hits", "--format", "json", "--store", store, *more).out)


def test_json_has_groups_marks_and_backgrounds(store):
    result = listed(store)
    assert list(result) == ["session", "hits", "by_mic", "by_kind", "floor", "groups", "silent", "natural"]
    creak = next(hit for hit in result["hits"] if hit["kind"] == "creak")
    assert (creak["group"], creak["harmless"], creak["take"], creak["note"]) == (CHAIR, False, "T003", 3)
    chair = next(group for group in result["groups"] if group["group"] == CHAIR)
    assert chair["line"] == "creak, room, 10 times in 10 takes, always after the third note"
    assert (chair["hits"], chair["takes"], chair["first"]) == (10, 10, {"take": "T003", "start_s": 6.36})
    close, room = result["floor"]
    assert (close["mic"], close["level_dbfs"], close["db_a"], close["nr"]) == ("close", -75.0, None, None)
    assert (room["a_dbfs"], room["a_highest_take"], room["change_db"]) == (-74.75, "T012", 5.5)
    assert room["octaves_dbfs"] == dict(
        zip(["31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"], OCTAVES, strict=True)
    )
    assert room["nr"] == pytest.approx(22.34, abs=0.01) and room["nr_hz"] == 8000.0


def test_csv_names_the_group_of_each_hit(store):
    rows = list(csv.DictReader(io.StringIO(run("hits", "--format", "csv", "--store", store).out)))
    assert len(rows) == 2 * TAKES - 1 and {row["harmless"] for row in rows} == {"False"}
    assert sum(row["group"] == CHAIR for row in rows) == TAKES - 2


def test_the_table_lists_groups_the_worst_first_and_each_background_on_a_line(store):
    out = run("hits", "--store", store).out
    groups = out[out.index("groups, the worst first") :]
    assert groups.index(CHAIR) < groups.index("close:breath:any")
    assert "background room: -70.0 dBFS, -74.8 A-weighted, 34 dB(A), NR 23\n" in out


def test_html_goes_to_stdout_or_to_a_file(store, tmp_path):
    output = run("hits", "--format", "html", "--store", store)
    assert output.status == 0 and output.err == "" and output.out.startswith("<!doctype html>")
    path = tmp_path / "noise.html"
    told = run("hits", "--format", "html", "--out", path, "--store", store)
    assert (told.status, told.out, told.err) == (0, "", f"written to {path}\n")
    assert path.read_text(encoding="utf-8") == output.out


def test_a_file_that_cannot_be_written_is_one_line(store, tmp_path):
    output = run("hits", "--format", "html", "--out", tmp_path / "no" / "noise.html", "--store", store)
    assert (
        output.status == 1
        and output.err.startswith("error: ")
        and "--out" in output.err
        and output.err.count("\n") == 1
    )


def test_a_marked_group_is_suppressed_until_it_is_brought_back(store):
    output = run("hits", "--harmless", CHAIR, "--by", "anna", "--store", store)
    assert (output.status, output.err) == (0, "")
    assert output.out == f"mill-day2-b: {CHAIR}: harmless, 10 hits suppressed; session re-ranked\n"
    silent = listed(store)
    assert (silent["silent"], silent["by_kind"]) == (10, {"breath": 12, "dropout": 1})
    assert CHAIR not in [group["group"] for group in silent["groups"]]
    assert "10 hits called harmless not listed; --all lists them" in run("hits", "--store", store).out
    everything = listed(store, "--all")
    shown = run("hits", "--all", "--store", store).out
    assert shown.count("; harmless") == 10 and "not listed" not in shown
    assert sum(hit["harmless"] for hit in everything["hits"]) == 10 and everything["by_kind"]["creak"] == 10
    back = run("hits", "--not-harmless", CHAIR, "--by", "ben", "--store", store)
    assert back.out == f"mill-day2-b: {CHAIR}: on the list again; session re-ranked\n"
    assert listed(store)["silent"] == 0
    engine = open_store(store)
    with reading(engine) as db:
        words = db.execute(select(mark.c.by, mark.c.harmless).order_by(mark.c.id)).all()
        assert words == [("anna", True), ("ben", False)]
    engine.dispose()


def test_a_slip_in_a_group_s_name_is_one_line_that_names_the_nearest(store):
    output = run("hits", "--harmless", "room:creak:after-4", "--by", "anna", "--store", store)
    assert (output.status, output.out) == (1, "")
    assert "no group of hits 'room:creak:after-4'" in output.err and f"nearest: {CHAIR}" in output.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("hits", "--harmless", CHAIR, "--not-harmless", CHAIR),
        ("queue", "--format", "html"),
        ("notes", "--format", "html"),
        ("arrivals", "--format", "html"),
        ("hits", "--format", "pdf"),
    ],
)
def test_what_does_not_go_together_is_wrong_usage(store, arguments):
    assert run(*arguments, "--store", store).status == 2
