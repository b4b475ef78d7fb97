"""Output: how a result is written for a person or a program, whatever the result is.

In: rows of plain values. Out: text for stdout as a table, as JSON or as CSV. For programs numbers are
rounded to 3 decimals (milliseconds, millihertz), probabilities and scores to 4.
"""

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import Enum
from itertools import zip_longest
from pathlib import Path
from typing import Any

from triage.domain.errors import ConfigError
from triage.domain.text import csv_text as csv_text
from triage.domain.text import one_line, rounded

LEAST_LAST = 20  # columns of a terminal that a table's last column gets
NEEDS_ATTENTION = 3  # exit status: done, and something needs a person
CLOSED_PIPE = 141  # what a shell reports for a program whose reader has gone: 128 + SIGPIPE


class Form(str, Enum):  # noqa: UP042 - typer lists a str Enum's values in --help, in every version we allow
    """The forms in which a listing can be had."""

    table = "table"
    json = "json"
    csv = "csv"
    html = "html"


def put(text: str) -> None:
    """Write a result to stdout; when the reader has closed it (``| head``), leave silently."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # Python flushes once more on its way out and would complain then.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(CLOSED_PIPE)


def put_or_write(text: str, path: Path | None) -> None:
    """Write a result to a file, or to stdout where none is named."""
    if path is None:
        return put(text)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written ({error.strerror}); name another file with --out") from None
    notify(f"written to {path}")


def notify(line: str) -> None:
    """Write one line to stderr, beside the result."""
    print(one_line(line), file=sys.stderr)


def json_text(result: Mapping[str, Any]) -> str:
    """Return a result as JSON with numbers rounded, in ASCII, which no terminal or pipe can garble."""
    return json.dumps(rounded("", result), indent=2, allow_nan=False) + "\n"


def table_text(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows under a title, for reading; a column whose name starts with ``>`` is set to the right.

    One that starts with ``|`` is never broken over lines: what is in it may be copied.
    On a terminal the last column takes what width is left and wraps; elsewhere nothing wraps, and nothing is bold.
    """
    from rich.cells import cell_len, set_cell_size  # all of rich takes as long to load as a query, and to lay out

    def beside(cells: Sequence[str]) -> str:
        placed = [
            " " * (width - cell_len(cell)) + cell if name[:1] == ">" else set_cell_size(cell, width)
            for name, cell, width in zip(columns, cells, widths, strict=True)
        ]
        return "  ".join(placed).rstrip()

    terminal = sys.stdout.isatty()
    broken = [[[one_line(line) for line in str(cell).split("\n")] for cell in row] for row in rows]
    if not broken:
        return _bold(title, terminal) + "\n"
    header = [name.lstrip(">|").split("\n") for name in columns]
    widths = [
        max(cell_len(line) for lines in column for line in lines) for column in zip(header, *broken, strict=True)
    ]
    if terminal and columns[-1][:1] not in (">", "|"):
        left = max(LEAST_LAST, shutil.get_terminal_size().columns - sum(widths[:-1]) - 2 * len(widths[:-1]))
        for row in broken:
            row[-1] = [part for line in row[-1] for part in textwrap.wrap(line, left) or [""]]
        widths[-1] = min(widths[-1], left)
    highest = max(map(len, header))
    heads = zip(*([""] * (highest - len(lines)) + lines for lines in header), strict=True)
    lines = [beside(cells) for row in broken for cells in zip_longest(*row, fillvalue="")]
    return "\n".join([_bold(title, terminal), *(_bold(beside(head), terminal) for head in heads), *lines, ""])


def _bold(text: str, terminal: bool) -> str:
    return f"\033[1m{text}\033[0m" if terminal and "NO_COLOR" not in os.environ else text


def cell_text(record: Any, unnamed: str = "-") -> str:
    """Return instrument, articulation and dynamic, those that are known."""
    return " ".join(word for word in (record.instrument, record.articulation, record.dynamic) if word) or unnamed


def number(value: float | None, places: int, unit: str = "") -> str:
    """Return a number for a table, or a dash where there is none."""
    return "-" if value is None else f"{value:.{places}f}{' ' if unit else ''}{unit}"


def counted(count: int, noun: str) -> str:
    """Return a count with its noun: "1 take", "2 takes"."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


@contextmanager
def progress_bar() -> Iterator[Any]:
    """Give ``progress(what, done, total)``, which moves a bar on stderr, if that is a terminal.

    A total of 0 stands for one that is not known: the bar only shows that something is done.
    """
    if not sys.stderr.isatty():
        yield lambda what, done, total: None
        return
    from rich.progress import BarColumn, Console, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)

        def progress(what: str, done: int, total: int) -> None:
            bar.update(task, description=one_line(what), completed=done, total=total or None)

        yield progress
