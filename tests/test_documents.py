"""README and DEVELOPERS against the program: commands that parse, files that are there, nothing left out.

A document that names an option or a module which is gone would send its reader into an error.
"""

import re
import shlex
from importlib.util import find_spec
from pathlib import Path

import pytest
import typer

from triage.cli import main as cli

UsageError = typer.BadParameter.__bases__[0]  # whichever click typer brings
ROOT = Path(__file__).parent.parent
README, DEVELOPERS = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
BOTH = README + DEVELOPERS
GROUP = typer.main.get_command(cli.app)
NAMES = GROUP.list_commands(None)
BLOCKS = re.findall(r"```sh\n(.*?)```", BOTH, re.DOTALL)
SPANS = [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", re.sub(r"```.*?```", "", BOTH, flags=re.DOTALL))]
ROOMS = sorted(path.name for path in (ROOT / "triage").iterdir() if (path / "__init__.py").is_file())
MODULES = sorted(path.stem for path in (ROOT / "triage").glob("*.py") if path.stem != "__init__")


def lines_of_blocks():
    """Yield each command of the blocks, joined where a line goes on, without its remark."""
    for block in BLOCKS:
        for line in block.replace("\\\n", " ").splitlines():
            for part in re.split(r"&&|\|", line.split(" #")[0]):
                if part.strip() and not part.strip().startswith("#"):
                    yield part.strip().removeprefix(".venv/bin/")


def named(tool):
    """Return every call of a tool that the documents name, in blocks and in running text."""
    found = [line for line in (*lines_of_blocks(), *SPANS) if line.startswith(f"{tool} ")]
    return sorted(set(found))


def parse(line):
    """Parse a call of `triage` as the command line would, running nothing."""
    _, *words = shlex.split(line.split(" > ")[0].replace("…", ""))
    if not words or words[0].startswith("-"):
        return
    command = GROUP.get_command(None, words[0])
    assert command is not None, f"no command {words[0]!r}"
    arguments = [word for word in words[1:] if word != "[SESSION]"]
    try:
        command.make_context(words[0], arguments)
    except typer.Exit:  # --help
        pass


def without_what_runs(line):
    return line not in ("triage",) and not re.fullmatch(r"triage [A-Z].*", line)


@pytest.mark.parametrize("line", [line for line in named("triage") if without_what_runs(line)])
def test_each_triage_command_of_the_documents_is_one(line):
    try:
        parse(line)
    except UsageError as error:
        # In running text a command may be named without what it needs.
        assert line in SPANS and error.format_message().startswith("Missing "), error.format_message()


def advised():
    """Return every call of `triage` that the program's own lines and pages advise, each value in it as `x`."""
    sources = [
        path
        for room in ("triage", "training")
        for path in (ROOT / room).rglob("*.*")
        if path.suffix in (".py", ".html", ".js")
    ]
    texts = (path.read_text(encoding="utf-8") for path in sources)
    found = (one for text in texts for one in re.findall(r"`(triage [a-z][^`]*)`", text))
    return sorted({re.sub(r"\{[^}]*\}", "x", one) for one in found})


@pytest.mark.parametrize("line", advised())
def test_each_triage_command_that_an_error_or_a_page_advises_is_one(line):
    try:
        parse(line)
    except UsageError as error:
        assert error.format_message().startswith("Missing ") and len(line.split()) == 2, error.format_message()


@pytest.mark.parametrize("line", named("python -m"))
def test_each_module_that_the_documents_run_is_there(line):
    name = line.split()[2]
    assert find_spec(name) is not None
    spec = find_spec(f"{name}.__main__") if find_spec(name).submodule_search_locations else find_spec(name)
    assert spec is not None and spec.origin is not None
    assert '__name__ == "__main__"' in Path(spec.origin).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_the_readme_names_every_command(name):
    assert re.search(rf"triage\s{name}\b", README)


@pytest.mark.parametrize("name", NAMES)
def test_the_help_of_every_command_has_a_sentence_and_an_example_that_parses(name):
    command = GROUP.get_command(None, name)
    text = " ".join(f"{command.help or ''} {command.epilog or ''}".split())
    (example,) = re.findall(r"Example: (triage .*)$", text)
    assert example.startswith(f"triage {name}") and len((command.help or "").split()) > 3
    parse(example)


@pytest.mark.parametrize("name", NAMES)
def test_every_option_says_what_it_does(name):
    for param in GROUP.get_command(None, name).params:
        assert getattr(param, "help", None), f"{name}: {param.name}"


PATHS = [span for span in SPANS if re.fullmatch(r"[\w./-]+\.(py|toml|csv|md|txt|json)|[\w./-]+/", span)]
# What is made or named by whoever uses the tool.
MADE = {"session.toml", "take_sheet.csv", "notes.csv", "noise.csv", "doubt.json", "truth.json", "contents.csv"}


@pytest.mark.parametrize("path", sorted(set(PATHS) - MADE))
def test_each_file_that_the_documents_name_is_there(path):
    tops = (ROOT, ROOT / "triage", ROOT / "training", *(ROOT / "triage" / room for room in ROOMS))
    assert any((top / path).exists() for top in tops)


@pytest.mark.parametrize("room", ROOMS)
def test_contributors_are_told_of_every_room(room):
    assert f"`triage/{room}/`" in DEVELOPERS


@pytest.mark.parametrize("module", MODULES)
def test_contributors_are_told_of_every_module_at_the_top(module):
    plain = re.sub(r"[`{}]", "", DEVELOPERS)
    stars = re.findall(r"(\w+)\*\.py", plain)
    assert f"{module}.py" in plain or any(module.startswith(star) for star in stars), module


def test_neither_document_is_a_book():
    assert len(README.splitlines()) <= 230 and len(DEVELOPERS.splitlines()) <= 200
