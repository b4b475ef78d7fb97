"""What a command loads: nothing of the networks, the statistics' libraries or the pages unless it needs them."""

import json
import subprocess
import sys
from pathlib import Path

import typer.main

from tests.faults.mill import write_session
from tests.planned import PlannedTake, fill, hit
from triage.cli import main
from triage.cli.main import COMMANDS, PHASES
from triage.store.engine import open_store

# Each takes longer to load, or more memory, than a command that only reads the store may take altogether.
HEAVY = {
    "torch",
    "torchaudio",
    "mlflow",
    "sklearn",
    "skops",
    "pandas",
    "scipy.stats",
    "scipy.signal",
    "scipy.optimize",
    "scipy.special",
    "rich.console",
}
HEAVY |= {"fastapi", "alembic", "ray", "soundfile", "jinja2"}
LOADED = """
import json, sys
from triage.cli.main import main
for arguments in json.loads(sys.argv[1]):
    try:
        main(arguments)
    except SystemExit as left:
        if left.code not in (None, 0, 3):
            raise
print(json.dumps(sorted(set(json.loads(sys.argv[2])) & set(sys.modules))), file=sys.stderr)
"""


def loaded(folder: Path, *commands: list[str], heavy: frozenset[str] = frozenset(HEAVY)) -> list[str]:
    """Run commands one after another in a process of their own; return what of ``heavy`` they imported."""
    asked = [sys.executable, "-c", LOADED, json.dumps(commands), json.dumps(sorted(heavy))]
    done = subprocess.run(asked, cwd=folder, capture_output=True, text=True, check=True)
    return json.loads(done.stderr.splitlines()[-1])


def test_commands_that_read_the_store_load_no_network_and_no_library_of_statistics(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'triage.db'}")
    takes = [PlannedTake(f"T{n:03}", (53, 54, 55), hits=(hit("creak", 2),)) for n in range(1, 5)]
    fill(engine, takes)
    engine.dispose()
    listings = [["queue"], ["notes"], ["hits"], ["hits", "--format", "json"], ["arrivals"], ["pickups"], ["keep"]]
    rest = [
        ["verdict", "T001", "reject", "--by", "anna"],
        ["models"],
        ["people"],
        ["check"],
        ["upgrade"],
        ["new", "mill"],
    ]
    assert loaded(tmp_path, *listings, *rest) == []
    plain = [listings[0], listings[1], listings[4], ["verdict", "T002", "accept", "--by", "anna"], *rest[1:4]]
    assert loaded(tmp_path, *plain, heavy=frozenset({"numpy"})) == []


def test_an_intake_without_news_loads_nothing_that_analyses_or_ranks(tmp_path):
    folder = write_session(tmp_path / "mill", takes=("T001", "T002"))
    store = ["--store", "sqlite:///mill.db"]
    assert set(loaded(tmp_path, ["intake", str(folder), *store])) >= {"torch"}
    assert loaded(tmp_path, ["intake", str(folder), *store]) == ["soundfile"]


def test_help_loads_none_of_it(tmp_path):
    assert loaded(tmp_path, ["--help"]) == []
    assert loaded(tmp_path, *([name, "--help"] for name in (*COMMANDS, "demo", "retrain"))) == []


def test_the_sentences_in_the_help_are_those_of_the_functions_and_every_command_has_its_phase():
    for name, ours in COMMANDS.items():
        command = typer.main.get_command(main.app).get_command(None, name)
        assert command.get_short_help_str(limit=100) == ours.about
    assert {name for names in PHASES.values() for name in names} == COMMANDS.keys() | {"demo", "retrain"}
