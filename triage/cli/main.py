"""The command `triage`: all commands, those of other packages among them, and how errors are reported.

Exit status: 0 done; 1 a one-line error; 2 wrong usage; 3 done, and something needs a person. Only results go to
stdout.
"""

import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import entry_points
from typing import Annotated, Any, NamedTuple

import typer
from typer.core import TyperCommand, TyperGroup

from triage import __version__
from triage.cli.output import notify, put
from triage.domain.errors import TriageError
from triage.domain.text import one_line

PLUG_INS = "triage.commands"  # entry point group: other packages bring commands of their own


class Ours(NamedTuple):
    """A command: where its function is, loaded when it runs; its function's first sentence; an example."""

    where: str
    about: str
    example: str


COMMANDS = {
    "new": Ours("intake:new", "Start a session's folder.", "mill-day2-b"),
    "intake": Ours(
        "intake:take_in_folder",
        "Take a session in: read, check, measure, rank.",
        "mill-day2-b --store sqlite:///mill.db",
    ),
    "watch": Ours(
        "intake:watch_folder",
        "Take a session in while it is recorded.",
        "mill-day2-b --poll 2 --store sqlite:///mill.db",
    ),
    "pickups": Ours("plan:show_pickups", "List what to record again.", "--format html --out stand.html"),
    "arrivals": Ours("listings:show_arrivals", "List file problems.", "mill-day2-b --format json"),
    "hits": Ours("hits:show_hits", "Show the noise hits.", "mill-day2-b --format html --out noise.html"),
    "handover": Ours("transfer:hand_over", "Hand a session over.", "mill-day2-b --manifest-only"),
    "receive": Ours("transfer:receive", "Check what a hand-over brought.", "mill-day2-b-bag --format json"),
    "desk": Ours("desk:open_desk", "Serve the pages.", "--port 8500 --store sqlite:///mill.db"),
    "people": Ours("desk:show_people", "Show the people of the desk.", "anna --role editor"),
    "queue": Ours("listings:show_queue", "Show the ranked queue.", "mill-day2-b --format csv > queue.csv"),
    "verdict": Ours(
        "verdicts:give_verdict",
        "Record a verdict on a take or on one note of it.",
        "T012 reject --note 4 --reason 'cracked' --by anna",
    ),
    "notes": Ours("listings:show_notes", "Show the measured notes.", "mill-day2-b --format csv > notes.csv"),
    "models": Ours("models:show_models", "Show the models.", "--use shipped --by anna"),
    "taste": Ours("taste:show_taste", "Show the tolerances in use.", "--set intonation=18 --by anna"),
    "consistency": Ours(
        "consistency:show_consistency", "Show how consistent the keyboard is.", "--format html --out consistency.html"
    ),
    "keep": Ours("plan:show_keep", "List the notes to keep.", "mill-day2-b --keep T012:4 --cue markers --by anna"),
    "check": Ours("store:check_store", "Check whether the store is sound.", "--store sqlite:///mill.db"),
    "upgrade": Ours("store:upgrade", "Upgrade an older store.", "--store sqlite:///mill.db"),
    "reembed": Ours(
        "intake:reembed_sessions", "Embed all notes with the present encoder.", "--cluster 10.0.0.5:6379 --store URL"
    ),
}
# The phases of a day in the order of --help, with commands of other packages at their place.
PHASES = {
    "To begin": ("demo", "new"),
    "While it is recorded": ("intake", "watch", "pickups"),
    "Before everybody goes home": ("arrivals", "hits", "handover"),
    "Days later, elsewhere": ("receive", "desk", "people", "queue", "verdict", "notes"),
    "At night": ("retrain", "taste", "models"),
    "When the library is put together": ("consistency", "keep"),
    "Maintenance": ("check", "upgrade", "reembed"),
}


class Commands(TyperGroup):
    """Our commands and those of other packages; only the one that runs is imported."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of all commands, phase after phase."""
        brought = {entry.name for entry in entry_points(group=PLUG_INS)}
        known = [name for names in PHASES.values() for name in names if name in COMMANDS or name in brought]
        return known + sorted(brought - set(known))

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return the command of that name, loaded from another package only if it is not one of ours."""
        if found := COMMANDS.get(cmd_name):
            module, _, function = found.where.partition(":")
            loaded = getattr(import_module(f"triage.cli.{module}"), function)
            return _command(cmd_name, loaded, f"Example: triage {cmd_name} {found.example}")
        return _plug_in(cmd_name)

    def invoke(self, ctx: Any) -> Any:
        """Run the command asked for; what is wrong with an option is said in our words, not in a library's."""
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            if mistakes := getattr(error.__cause__, "errors", None):
                from triage.config import what_is_wrong

                error.message = what_is_wrong(mistakes()[0])
            raise

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands under the phase of the day in which they are used."""
        names = self.list_commands(ctx)
        others = [name for name in names if not any(name in placed for placed in PHASES.values())]
        width = max(map(len, names))
        for phase, placed in {**PHASES, "Others": others}.items():
            rows = [(name.ljust(width), about) for name in placed if name in names and (about := _about(name))]
            if rows:
                with formatter.section(phase):
                    formatter.write_dl(rows)

    def shell_complete(self, ctx: Any, incomplete: str) -> list[Any]:
        """Return what a shell offers: the names of the commands and what each does, without loading them."""
        bare: dict[str, Any] = {name: TyperCommand(name, help=_about(name)) for name in self.list_commands(ctx)}
        return TyperGroup(commands=bare, params=self.params).shell_complete(ctx, incomplete)


app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Rank the takes of a sampling session, the most doubtful first. Recordings are only read; a rank is not a "
    "verdict. Mind your ears: after a spot played with raised gain a full-level note may follow.",
)


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


def _about(name: str) -> str:
    """Return the sentence that --help has on a command; nothing for one that does not load."""
    if ours := COMMANDS.get(name):
        return ours.about
    found = _plug_in(name)
    return found.get_short_help_str(limit=100) if found else ""


def _command(name: str, loaded: Any, epilog: str | None = None) -> Any:
    """Return a command from what was named: a function with typer's hints, or a Typer app."""
    if not isinstance(loaded, typer.Typer):
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(name, epilog=epilog)(loaded)
        loaded = alone
    return typer.main.get_command(loaded)
