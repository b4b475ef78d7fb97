"""What a person reads of the command line: tables, to a pipe and on a terminal, and what is wrong with an option."""

import os

import pytest

from triage.cli.main import main
from triage.cli.output import table_text

ROWS = [("T001", 7, "one two three four five six seven eight"), ("T012", 12, "音 b\nsecond line")]


def test_to_a_pipe_no_row_wraps_and_columns_stand_under_their_names():
    text = table_text("mill", ("take", ">how\nmany", "why"), ROWS)
    assert text.splitlines() == [
        "mill",
        "       how",
        "take  many  why",
        "T001     7  one two three four five six seven eight",
        "T012    12  音 b",
        "            second line",
    ]
    assert table_text("mill: nothing", ("take", "why"), []) == "mill: nothing\n"


def test_on_a_terminal_the_last_column_wraps_within_it_unless_it_may_be_copied(monkeypatch):
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((36, 24)))
    monkeypatch.setenv("NO_COLOR", "1")
    wrapped = table_text("mill", ("take", ">many", "why"), ROWS).splitlines()
    assert "            six seven eight" in wrapped and max(map(len, wrapped)) <= 36
    kept = table_text("mill", ("take", ">many", "|why"), ROWS)
    assert "one two three four five six seven eight" in kept
    monkeypatch.delenv("NO_COLOR")
    assert table_text("mill", ("take",), [("T1",)]) == "\033[1mmill\033[0m\n\033[1mtake\033[0m\nT1\n"


@pytest.mark.parametrize("cell", ["\x1b[31mred", "a\rb"])
def test_nothing_in_a_cell_moves_the_cursor(cell):
    assert "\x1b" not in table_text("mill", ("take",), [(cell,)]) and "\r" not in table_text("m", ("t",), [(cell,)])


@pytest.mark.parametrize(
    "line, said",
    [
        ("queue --top x", "'--top': must be a whole number"),
        ("queue --top 0", "'--top': must be 1 or more"),
        ("desk --port 99999", "'--port': must be 65535 or less"),
        ("demo --port x", "'--port': must be a whole number"),
        ("verdict T001 wrong", "'wrong' is not one of 'accept', 'reject', 'unsure'"),
        ("pickups --format xml", "'xml' is not one of 'table', 'json', 'csv', 'html'"),
    ],
)
def test_a_wrong_value_of_an_option_is_said_without_the_words_of_a_library(line, said, capsys):
    with pytest.raises(SystemExit) as left:
        main(line.split())
    told = capsys.readouterr().err
    assert left.value.code == 2 and said in told
    assert "Input should" not in told and "Value error" not in told
