"""Every CSV that this tool writes is safe in a spreadsheet: no cell of it is a formula, whatever a name says.

A cell that begins with = + - @ or a tab is computed by spreadsheets ("CSV injection", OWASP); such text gets an
apostrophe in front, numbers stay numbers.
"""

import csv
import io
import shutil
from datetime import UTC, datetime

import pytest
import typer

from tests.commands import run, sqlite
from tests.planned import PlannedTake, fill
from tests.sessions import play, row, write_takes
from triage.cli import main as cli
from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.domain.hit import Hit
from triage.domain.spot import Spot
from triage.domain.verdict import Verdict
from triage.store.accounts import save_person
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, writing
from triage.store.models import StoredModel, add_model
from triage.store.verdicts import record_verdict
from triage.transfer.contents import CONTENTS_FILE, Content, contents_text, read_contents

NOW = datetime(2026, 3, 14, 12, tzinfo=UTC)
EVIL = ('=HYPERLINK("x")', "+1+1", "-2+3", "@SUM(1)", "\t=1", "\r=1", " =1", "\n=1", "\uff1d1+1")
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", *"\uff1d\uff0b\uff0d\uff20")


def is_formula(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return cell.lstrip(" ").startswith(FORMULA)
    return False


@pytest.fixture
def store(tmp_path):
    """A store in which every word that people or files choose is a formula."""
    address = sqlite(tmp_path)
    engine = open_store(address)
    takes = [
        PlannedTake(
            f"{evil} {n}",
            (54, 55),
            evil,
            evil,
            evil,
            doubts={1: 0.9},
            setup=evil,
            measured_mic="close",
            hits=(Hit("creak", 1.0, 1.1, "close", ("close",), -50.0, 10.0, 0.9, 1, f"{evil}:creak:alone"),),
            spots=(Spot(f"{evil} {n}", 1.0, 1.2, 1, "length", 0.9, evil, None, 0.6, 0.4, "s"),),
        )
        for n, evil in enumerate(EVIL)
    ]
    missing = [PlannedTake(f"{evil} never", (60,), evil, evil, evil) for evil in EVIL]
    session_id = fill(engine, takes, "=evil", planned=missing)
    entries = tuple(ArrivalProblem("unexpected", path=evil, take=evil, mic=evil, why=evil) for evil in EVIL)
    with writing(engine) as db:
        save_arrivals(db, session_id, Arrivals(entries, 0, EVIL))
        record_verdict(db, session_id, Verdict(takes[0].name, "reject", EVIL[0], NOW, 1, EVIL[0], EVIL[0]))
        save_person(db, EVIL[0], "editor")
        card = {"form": EVIL[0], "words": 3, "sessions": ["a"], "scores": None}
        add_model(db, StoredModel(EVIL[0], NOW, EVIL[0], "ear", "0" * 64, card), b"")
    engine.dispose()
    return address


def commands_with_csv():
    """Return the commands that write CSV."""
    group = typer.main.get_command(cli.app)
    named = {name: group.get_command(None, name) for name in group.list_commands(None)}
    return sorted(name for name, one in named.items() if any(param.name == "form" for param in one.params))


def test_the_commands_that_write_csv_are_known():
    known = {"queue", "notes", "hits", "arrivals", "models", "people", "check", "pickups", "keep", "receive"}
    assert known <= set(commands_with_csv())


@pytest.mark.parametrize("command", [name for name in commands_with_csv() if name != "receive"])
def test_no_cell_of_a_listing_is_a_formula(store, command):
    output = run(command, "--format", "csv", "--store", store)
    if output.status == 2:  # what comes as table, json or html alone
        assert "--format" in output.err and command in ("consistency", "retrain")
        return
    rows = list(csv.reader(io.StringIO(output.out)))
    assert output.status in (0, 3) and len(rows) > 1, output.err
    assert [cell for line in rows for cell in line if is_formula(cell)] == []
    assert all(len(line) == len(rows[0]) for line in rows)


def test_no_cell_of_a_hand_over_is_a_formula_and_its_check_still_finds_the_files(tmp_path):
    names = ("=1+1", "+2x", "-3x", "@x", "'quoted")
    takes = {name: play((50,), 1) for name in names}
    folder = write_takes(tmp_path / "mill", takes, [row(name, (50,), 1) for name in names])
    shutil.copy(folder / "session.toml", folder / "=cmd.txt")
    assert run("handover", folder).status == 0
    text = (tmp_path / "mill-bag" / CONTENTS_FILE).read_text()
    assert [cell for line in csv.reader(io.StringIO(text)) for cell in line if is_formula(cell)] == []
    output = run("receive", tmp_path / "mill-bag", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(output.out)))
    assert output.status == 0 and {one["state"] for one in rows} == {"whole"}
    assert [cell for one in rows for cell in one.values() if is_formula(cell)] == []
    assert {one["take"] for one in rows if one["mic"]} == {f"'{n}" if n[0] in "=+-@" else n for n in names}


def test_a_list_of_contents_is_read_back_as_it_was_written(tmp_path):
    contents = [Content(f"data {evil}".strip()[5:] or evil, 3, evil.strip() or None, "'close") for evil in EVIL]
    path = tmp_path / CONTENTS_FILE
    path.write_text(contents_text(contents), encoding="utf-8", newline="")
    assert list(read_contents(path).values()) == contents
