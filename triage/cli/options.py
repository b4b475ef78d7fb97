"""Options that many commands share, and what they open: the store, the session; who is logged in."""

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from triage.cli.output import Form
from triage.domain.errors import ConfigError

if TYPE_CHECKING:  # what a command's --help can do without
    from sqlalchemy import Connection, Engine

    from triage.store.stored import StoredSession

StoreOption = Annotated[
    str | None, typer.Option("--store", metavar="URL", help="Database; else TRIAGE_STORE, else sqlite:///triage.db")
]
SessionArgument = Annotated[
    str | None, typer.Argument(metavar="SESSION", help="Name of the session; else the one taken in last")
]

ByOption = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who does so; else who is logged in")]
OutOption = Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write to this file, not to stdout")]
RecordingsOption = Annotated[
    list[Path] | None,
    typer.Option("--recordings", metavar="FOLDER", help="Holds session folders here, if not where taken in"),
]


def format_option(*offered: str, help: str = "How the result is written") -> Any:
    """Return the option --format with the forms that a command can give, and no others."""

    def check(form: Form) -> Form:
        if form.value not in offered:
            raise typer.BadParameter(f"{form.value!r} is none of {', '.join(offered)}")
        return form

    shown = f"[{'|'.join(offered)}]"
    return typer.Option("--format", metavar=shown, callback=check, autocompletion=lambda: list(offered), help=help)


FormOption = Annotated[Form, format_option("table", "json", "csv")]
SheetForm = Annotated[
    Form, format_option("table", "json", "csv", "html", help="How the result is written; html prints on paper")
]


@contextmanager
def opened_store(store: str | None, create: bool = False) -> Iterator["Engine"]:
    """Open the store named by an option, TRIAGE_STORE or the default, and close it afterwards."""
    from triage.store.address import store_url
    from triage.store.engine import open_store

    engine = open_store(store_url(store), create)
    try:
        yield engine
    finally:
        engine.dispose()


@contextmanager
def opened_session(store: str | None, name: str | None) -> Iterator[tuple["Connection", "StoredSession"]]:
    """Open the store for reading and find the session, the one taken in last if none is named."""
    from triage.store.engine import reading
    from triage.store.takes import find_session

    with opened_store(store) as engine, reading(engine) as db:
        yield db, find_session(db, name)


def login_name() -> str:
    """Return who is logged in on this machine, for a command without --by."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise ConfigError("nobody is logged in by name here; give a name with --by NAME") from None
