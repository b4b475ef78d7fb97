"""The command line: each command reads its arguments, calls one thing and prints.

Exit status: 0 done; 1 a one-line error; 2 wrong usage; 3 done, and something needs a person. Only results go
to stdout. What is slow to load (the pipeline, commands of other packages) is loaded when it is called for.
"""

import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from enum import Enum
from importlib.metadata import entry_points
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from triage import __version__
from triage.cli.check import check_store
from triage.cli.consistency import show_consistency
from triage.cli.desk import open_desk, show_people
from triage.cli.hits import show_hits
from triage.cli.models import show_models
from triage.cli.options import FormOption, SessionArgument, StoreOption, login, opened_session, opened_store
from triage.cli.output import Form, progress_bar, put, say
from triage.cli.plan import hand_over, receive, show_keep, show_pickups
from triage.cli.reembed import reembed_sessions
from triage.cli.tables import arrivals_text, notes_text, queue_text
from triage.cli.watch import watch_folder
from triage.config import store_url
from triage.domain.errors import ConfigError, TriageError
from triage.domain.text import one_line
from triage.domain.verdict import Verdict
from triage.store.arrivals import arrivals
from triage.store.engine import upgrade_store, writing
from triage.store.notes import notes
from triage.store.ranking import queue, queue_length
from triage.store.takes import find_session
from triage.store.verdicts import record_verdict

PLUG_INS = "triage.commands"  # entry point group: other packages bring commands of their own
NEEDS_A_PERSON = 3


class Commands(TyperGroup):
    """Our commands and, after them, those of other packages."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of all commands."""
        ours = list(super().list_commands(ctx))
        return ours + sorted({entry.name for entry in entry_points(group=PLUG_INS)} - set(ours))

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return the command of that name, loaded from another package only if it is none of ours."""
        return super().get_command(ctx, cmd_name) or _plug_in(cmd_name)


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Rank the takes of a sampling session, the most doubtful first. Recordings are only read; a rank is "
    "no verdict. Mind your ears: after a spot heard with raised gain a full-level note may follow.",
)


FolderArgument = Annotated[Path, typer.Argument(metavar="FOLDER", help="The session's folder")]


class Word(str, Enum):  # noqa: UP042 - see printing.Form
    """What a verdict can be."""

    accept = "accept"
    reject = "reject"
    unsure = "unsure"


@app.callback(invoke_without_command=True)
def about(version: Annotated[bool, typer.Option("--version", help="Show the version and leave")] = False) -> None:
    """Answer --version; the help text is the app's own."""
    if version:
        put(f"triage {__version__}\n")
        raise typer.Exit()


@app.command("new", epilog="Example: triage new mill-day2-b")
def new(folder: FolderArgument, store: StoreOption = None) -> None:
    """Start a session's folder. Writes a commented session.toml and take_sheet.csv to fill in."""
    from triage.intake.template import write_template

    put("".join(f"{path}\n" for path in write_template(folder)))
    say(f"fill both in, then `triage intake {folder}`, or `triage watch {folder}` while it is recorded")


@app.command("intake", epilog="Example: triage intake mill-day2-b --store sqlite:///mill.db")
def take_in_folder(
    folder: Annotated[str, typer.Argument(metavar="FOLDER", help="The session's folder, or its address: s3://…")],
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Listen on this Ray cluster; `local`: this machine's cores")
    ] = None,
    store: StoreOption = None,
) -> None:
    """Take a session in: read, check, measure, rank. Again on the same folder does only what is new."""
    if "://" not in folder and not Path(folder).is_dir():
        raise ConfigError(f"{folder}: no such folder; `triage new {folder}` makes one to fill in")
    from triage.pipeline import take_in

    with opened_store(store, create=True) as engine, progress_bar() as tell:
        summary = take_in(folder if "://" in folder else Path(folder), engine, progress=tell, cluster=cluster)
    for line in summary.problems:
        say(f"note: {line}")
    put(f"{summary.session}: {summary.takes} takes, {summary.new_takes} of them new or changed\n")
    if summary.needs_person:
        say("files are missing or broken: `triage arrivals` lists them")
        raise typer.Exit(NEEDS_A_PERSON)


app.command("reembed", epilog="Example: triage reembed --cluster 10.0.0.5:6379 --store URL")(reembed_sessions)
app.command("watch", epilog="Example: triage watch mill-day2-b --poll 2 --store sqlite:///mill.db")(watch_folder)


@app.command("queue", epilog="Example: triage queue mill-day2-b --format csv > queue.csv")
def show_queue(
    session: SessionArgument = None,
    form: FormOption = Form.table,
    top: Annotated[int | None, typer.Option(min=1, help="Show only so many takes")] = None,
    store: StoreOption = None,
) -> None:
    """Show the ranked queue. Every take with its doubtful spots, the one to hear first at the top."""
    with opened_session(store, session) as (db, found):
        text = queue_text(form, found, queue(db, found.id, limit=top), queue_length(db, found.id))
    put(text)


@app.command("notes", epilog="Example: triage notes mill-day2-b --format csv > notes.csv")
def show_notes(session: SessionArgument = None, form: FormOption = Form.table, store: StoreOption = None) -> None:
    """Show the measured notes. The table has the main measurements, json and csv have all."""
    with opened_session(store, session) as (db, found):
        text = notes_text(form, found, notes(db, found.id))
    put(text)


app.command("hits", epilog="Example: triage hits mill-day2-b --format html --out noise.html")(show_hits)


@app.command("arrivals", epilog="Example: triage arrivals mill-day2-b --format json")
def show_arrivals(session: SessionArgument = None, form: FormOption = Form.table, store: StoreOption = None) -> None:
    """Show the files amiss. Missing, unexpected, broken, unlike the others; status 3 if missing or broken."""
    with opened_session(store, session) as (db, found):
        arrived = arrivals(db, found.id)
    put(arrivals_text(form, found, arrived))
    if any(entry.kind in ("missing", "broken") for entry in arrived.entries):
        raise typer.Exit(NEEDS_A_PERSON)


@app.command("verdict", epilog="Example: triage verdict T012 reject --note 4 --reason 'cracked' --by anna")
def give_verdict(
    take: Annotated[str, typer.Argument(metavar="TAKE", help="Name of the take")],
    verdict: Annotated[Word, typer.Argument(metavar="accept|reject|unsure", help="What is said of it")],
    note: Annotated[int | None, typer.Option(min=1, help="Only this note of the take, from 1")] = None,
    reason: Annotated[str | None, typer.Option(help="Why, in a few words")] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who says so; else who is logged in")] = None,
    session: Annotated[str | None, typer.Option(help="Name of the session; else the one taken in last")] = None,
    store: StoreOption = None,
) -> None:
    """Record a verdict. It is on a take or on one note of it; earlier ones stay, the last one counts."""
    said = Verdict(take, verdict.value, by or login(), datetime.now(UTC), note, reason)
    with opened_store(store) as engine, writing(engine) as db:
        found = find_session(db, session)
        record_verdict(db, found.id, said)
    what = take if note is None else f"{take} note {note}"
    put(f"{found.name}: {what}: {said.verdict} by {said.by}\n")


app.command("models", epilog="Example: triage models --use shipped --by anna")(show_models)
app.command("desk", epilog="Example: triage desk --port 8500 --store sqlite:///mill.db")(open_desk)
app.command("pickups", epilog="Example: triage pickups --format html --out stand.html")(show_pickups)
app.command("keep", epilog="Example: triage keep mill-day2-b --keep T012:4 --cue markers --by anna")(show_keep)
app.command("consistency", epilog="Example: triage consistency --format html --out even.html")(show_consistency)
app.command("handover", epilog="Example: triage handover mill-day2-b --manifest-only")(hand_over)
app.command("receive", epilog="Example: triage receive mill-day2-b-bag --format json")(receive)
app.command("people", epilog="Example: triage people anna --role editor")(show_people)
app.command("check", epilog="Example: triage check --store sqlite:///mill.db")(check_store)


@app.command("upgrade", epilog="Example: triage upgrade --store sqlite:///mill.db")
def upgrade(store: StoreOption = None) -> None:
    """Upgrade an older store. Make a copy of it first; then its schema becomes this tool's own."""
    before, after = upgrade_store(store_url(store))
    put(f"schema {after}, nothing to do\n" if before == after else f"schema {before or 'none'} -> {after}\n")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; what a person can put right is one line, a bug keeps its traceback."""
    try:
        app(arguments, prog_name="triage")
    except TriageError as error:
        say(f"error: {error}")
        sys.exit(1)


def _plug_in(name: str) -> Any:
    for entry in entry_points(group=PLUG_INS, name=name):
        try:
            return _command(name, entry.load())
        except Exception as error:  # whatever goes wrong in another package, our own commands go on
            say(f"command {name!r} of {entry.value} is left out: {type(error).__name__}: {one_line(error)}")
    return None


def _command(name: str, made: Any) -> Any:
    """Return a command from what the entry point names: a function with typer's hints, or a Typer app."""
    if not isinstance(made, typer.Typer):
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(name)(made)
        made = alone
    return typer.main.get_command(made)
