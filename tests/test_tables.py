"""Tables as a person reads them, to a pipe and on a terminal."""

import os

import pytest

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
