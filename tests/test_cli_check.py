"""`triage check` from the command line: one line a thing, status 0 where the store is sound and 3 where it is not."""

import json

import pytest
from sqlalchemy import text

from tests import noisy
from tests.commands import run, sqlite
from triage.store.engine import writing


@pytest.fixture
def store(tmp_path):
    with noisy.ranked_store(sqlite(tmp_path)) as (engine, _):
        yield sqlite(tmp_path), engine


def test_a_sound_store_is_status_nought_and_recordings_away_are_only_noted(store):
    output = run("check", "--store", store[0])
    assert output.status == 0 and output.err == ""
    *checks, end = output.out.splitlines()
    assert end == f"{store[0]}: the store is sound"
    assert {line.split()[0] for line in checks if not line.startswith(" ")} == {"sound", "note"}
    assert "         session mill-day2-b: mill is not on this machine" in checks


def test_an_unsound_store_is_status_three_and_says_what_to_do(store):
    address, engine = store
    with writing(engine) as db:
        db.execute(text("UPDATE take SET rank = 50 WHERE name = 'T002'"))
    output = run("check", "--store", address)
    assert output.status == 3 and "unsound  ranks run without gaps\n         1 session with gaps" in output.out
    assert output.out.endswith("the store is not sound: go back to a copy of it, or ask for help\n")
    found = json.loads(run("check", "--format", "json", "--store", address).out)
    assert found["sound"] is False and found["store"] == address
    (bad,) = [check for check in found["checks"] if check["state"] == "unsound"]
    assert bad["what"] == "ranks run without gaps" and len(bad["found"]) == 1


def test_as_csv_each_finding_is_a_row(store):
    output = run("check", "--format", "csv", "--store", store[0])
    head, *rows = output.out.splitlines()
    assert output.status == 0 and head == "what,state,found" and len(rows) >= 10


def test_a_file_that_is_no_database_is_one_line(tmp_path):
    (tmp_path / "store.db").write_bytes(b"this is no database, " * 400)
    output = run("check", "--store", sqlite(tmp_path))
    assert output.status == 1 and output.out == "" and output.err.count("\n") == 1
    assert "file is not a database" in output.err


def test_a_store_that_is_not_there_is_one_line_and_none_is_made(tmp_path):
    output = run("check", "--store", sqlite(tmp_path))
    assert output.status == 1 and "no store there" in output.err and not list(tmp_path.iterdir())
