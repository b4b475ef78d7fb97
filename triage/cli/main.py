"""The command `triage`: all commands, those of other packages among them, and how errors are reported.

Exit status: 0 done; 1 a one-line error; 2 wrong usage; 3 done, and something needs a person. Only results go to
stdout.
"""

import sys
from collections.abc import Sequence
from importlib.metadata import entry_points
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from triage import __version__
from triage.cli.consistency import show_consistency
from triage.cli.desk import open_desk, show_people
from triage.cli.hits import show_hits
from triage.cli.intake import new, reembed_sessions, take_in_folder, watch_folder
from triage.cli.listings import give_verdict, show_arrivals, show_notes, show_queue
from triage.cli.models import show_models
from triage.cli.output import notify, put
from triage.cli.plan import show_keep, show_pickups
from triage.cli.store import check_store, upgrade
from triage.cli.transfer import hand_over, receive
from triage.domain.errors import TriageError
from triage.domain.text import one_line

PLUG_INS = "triage.commands"  # entry point group: other packages bring commands of their own
# Name, function and example, in the order of --help.
COMMANDS = (
    ("new", new, "mill-day2-b"),
    ("intake", take_in_folder, "mill-day2-b --store sqlite:///mill.db"),
    ("reembed", reembed_sessions, "--cluster 10.0.0.5:6379 --store URL"),
    ("watch", watch_folder, "mill-day2-b --poll 2 --store sqlite:///mill.db"),
    ("queue", show_queue, "mill-day2-b --format csv > queue.csv"),
    ("notes", show_notes, "mill-day2-b --format csv > notes.csv"),
    ("hits", show_hits, "mill-day2-b --format html --out noise.html"),
    ("arrivals", show_arrivals, "mill-day2-b --format json"),
    ("verdict", give_verdict, "T012 reject --note 4 --reason 'cracked' --by anna"),
    ("models", show_models, "--use shipped --by anna"),
    ("desk", open_desk, "--port 8500 --store sqlite:///mill.db"),
    ("pickups", show_pickups, "--format html --out stand.html"),
    ("keep", show_keep, "mill-day2-b --keep T012:4 --cue markers --by anna"),
    ("consistency", show_consistency, "--format html --out consistency.html"),
    ("handover", hand_over, "mill-day2-b --manifest-only"),
    ("receive", receive, "mill-day2-b-bag --format json"),
    ("people", show_people, "anna --role editor"),
    ("check", check_store, "--store sqlite:///mill.db"),
    ("upgrade", upgrade, "--store sqlite:///mill.db"),
)


class Commands(TyperGroup):
    """Our commands and, after them, those of other packages."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of all commands."""
        ours = list(super().list_commands(ctx))
        return ours + sorted({entry.name for entry in entry_points(group=PLUG_INS)} - set(ours))

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return the command of that name, loaded from another package only if it is not one of ours."""
        return super().get_command(ctx, cmd_name) or _plug_in(cmd_name)


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Rank the takes of a sampling session, the most doubtful first. Recordings are only read; a rank is not a "
    "verdict. Mind your ears: after a spot played with raised gain a full-level note may follow.",
)
for name, command, example in COMMANDS:
    app.command(name, epilog=f"Example: triage {name} {example}")(command)


@app.callback(invoke_without_command=True)
def about(version: Annotated[bool, typer.Option("--version", help="Show the version and leave")] = False) -> None:
    """Answer --version; the help text is the app's own."""
    if version:
        put(f"triage {__version__}\n")
        raise typer.Exit()


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; what the user can put right is one line, a bug keeps its traceback."""
    try:
        app(arguments, prog_name="triage")
    except TriageError as error:
        notify(f"error: {error}")
        sys.exit(1)


def _plug_in(name: str) -> Any:
    for entry in entry_points(group=PLUG_INS, name=name):
        try:
            return _command(name, entry.load())
        except Exception as error:  # whatever goes wrong in another package, our own commands go on
            notify(f"command {name!r} of {entry.value} is left out: {type(error).__name__}: {one_line(error)}")
    return None


def _command(name: str, loaded: Any) -> Any:
    """Return a command from what the entry point names: a function with typer's hints, or a Typer app."""
    if not isinstance(loaded, typer.Typer):
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(name)(loaded)
        loaded = alone
    return typer.main.get_command(loaded)
