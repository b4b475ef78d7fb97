"""Output: how a result is written for a person or a program, whatever the result is.

In: rows of plain values. Out: text for stdout as a table (rich), as JSON or as CSV. For programs numbers are
rounded to 3 decimals (milliseconds, millihertz), probabilities and scores to 4.
"""

import json
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import Any

from triage.domain.errors import ConfigError
from triage.domain.text import csv_text as csv_text
from triage.domain.text import one_line, rounded

PIPED_COLUMNS = 1_000_000  # to a pipe or a file a row stays one line, however long
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
    On a terminal the last column takes what width is left and wraps; elsewhere nothing wraps, and there is no colour.
    """
    from rich.console import Console
    from rich.table import Table

    width = None if sys.stdout.isatty() else PIPED_COLUMNS
    console = Console(file=sys.stdout, width=width, markup=False, highlight=False, emoji=False)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in columns:
        right, last = name.startswith(">"), name == columns[-1]
        table.add_column(
            name.lstrip(">|"), justify="right" if right else "left", overflow="fold", no_wrap=name[:1] in (">", "|")
        )
        table.columns[-1].ratio = 1 if last else None
    for row in rows:
        table.add_row(*("\n".join(one_line(line) for line in str(cell).split("\n")) for cell in row))
    with console.capture() as captured:
        console.print(title, style="bold")
        if table.row_count:
            console.print(table)
    return "\n".join(line.rstrip() for line in captured.get().split("\n"))


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
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(
        *columns, TimeRemainingColumn(), console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task("", total=None)

        def progress(what: str, done: int, total: int) -> None:
            bar.update(task, description=one_line(what), completed=done, total=total or None)

        yield progress
