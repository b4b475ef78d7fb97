"""The commands that take recordings in: new, intake, watch, reembed."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from triage.cli.options import StoreOption, opened_store
from triage.cli.output import NEEDS_ATTENTION, cell_text, notify, progress_bar, put
from triage.domain.errors import ConfigError
from triage.store.engine import reading
from triage.store.takes import sessions

if TYPE_CHECKING:
    from triage.watch import TakenIn

FolderArgument = Annotated[Path, typer.Argument(metavar="FOLDER", help="The session's folder")]
ClusterOption = Annotated[
    str | None, typer.Option(metavar="ADDRESS", help="Work on this Ray cluster; `local`: this machine's cores")
]


def new(folder: FolderArgument, store: StoreOption = None) -> None:
    """Start a session's folder. Writes a commented session.toml and take_sheet.csv to fill in."""
    from triage.intake.template import write_template

    put("".join(f"{path}\n" for path in write_template(folder)))
    notify(f"fill both in, then `triage intake {folder}`, or `triage watch {folder}` while it is recorded")


def take_in_folder(
    folder: Annotated[
        str,
        typer.Argument(metavar="FOLDER", help="The session's folder, the bag of a hand-over, or an address: s3://…"),
    ],
    cluster: ClusterOption = None,
    moved: Annotated[
        bool, typer.Option("--moved", help="Read the recordings from here from now on, though they are elsewhere too")
    ] = False,
    forget: Annotated[
        bool, typer.Option("--forget", help="Most recordings were taken away on purpose: forget those takes")
    ] = False,
    store: StoreOption = None,
) -> None:
    """Take a session in: read, check, measure, rank. Again on the same folder does only what is new.

    From a bag also what people said of the session where it was handed over.
    """
    remote = "://" in folder
    if not remote:
        _check_folder(Path(folder))
    from triage.pipeline import Permitted, take_in
    from triage.transfer.session_record import add_record, unpacked

    where, record = (folder, None) if remote else unpacked(Path(folder))
    with opened_store(store, create=True) as engine, progress_bar() as progress:
        summary = take_in(where, engine, progress, cluster, Permitted(moved, forget))
        brought = add_record(engine, record, summary.session) if record else []
    for line in (*brought, *summary.problems):
        notify(f"note: {line}")
    put(f"{summary.session}: {summary.takes} takes, {summary.new_takes} of them new or changed\n")
    if summary.incomplete:
        notify("files are missing or broken: `triage arrivals` lists them")
    if summary.sheet_asks:
        notify("the take sheet asks something (see the notes above); correct it, then take the session in again")
    if summary.needs_person:
        raise typer.Exit(NEEDS_ATTENTION)


def watch_folder(
    folder: FolderArgument,
    steady: Annotated[
        float, typer.Option(min=0.1, max=600, metavar="S", help="A file unchanged for so long may be whole")
    ] = 1.0,
    grace: Annotated[
        float, typer.Option(min=0, max=3600, metavar="S", help="Wait so long for a take's other microphones")
    ] = 10.0,
    poll: Annotated[
        float | None,
        typer.Option(min=0.2, max=3600, metavar="S", help="Look every S seconds: for shares without change events"),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Take a session in while it is recorded. Each take as soon as its files are whole; Ctrl-C ends it."""
    _check_folder(folder)
    from triage.intake.arriving import WaitingTimes
    from triage.watch import Follower, watch

    waiting = WaitingTimes(steady, max(20.0, 2 * steady), grace)
    with opened_store(store, create=True) as engine, _ended_by_signal():
        follower = Follower(
            folder, engine, waiting, lambda one: put(take_line(one)), lambda line: notify(f"note: {line}")
        )
        notify(f"watching {folder} (Ctrl-C ends it; what is taken in stays, and the next watch goes on)")
        try:
            watch(follower, poll)
        except KeyboardInterrupt:
            follower.end()
            notify("the watch has ended; `triage intake` takes in what is still to come")


def reembed_sessions(
    session: Annotated[
        list[str] | None, typer.Argument(metavar="SESSION", help="Names of sessions; else all of the store")
    ] = None,
    cluster: ClusterOption = None,
    store: StoreOption = None,
) -> None:
    """Embed all notes with the present encoder. Notes and hits stay, one track a take is read, ranks are new."""
    from triage.reembed import reembed

    with opened_store(store) as engine, progress_bar() as progress:
        with reading(engine) as db:
            names = session or [one.name for one in sessions(db)]
        for name, done, lines in reembed(engine, names, progress, cluster):
            put(f"{name}: {done} takes embedded again\n")
            for line in lines:
                notify(f"note: {name}: {line}")


def take_line(one: "TakenIn") -> str:
    """Return one line on a take: its name and cell, its doubt, its first reason."""
    take, spots = one.take.take, one.take.spots
    cell = cell_text(take, "not on the take sheet")
    why = f"{spots[0].kind}: {spots[0].why}" if spots else take.problem or "nothing stands out"
    missing = f"; missing: {', '.join(one.take.missing)}" if one.take.missing else ""
    doubt = "no doubt known" if take.doubt is None else f"doubt {take.doubt:.2f}"
    return f"{take.name}  {cell}  {doubt}  {why}{missing}  ({one.after_s:.1f} s)\n"


def _check_folder(folder: Path) -> None:
    if not folder.is_dir():
        raise ConfigError(f"{folder}: no such folder; `triage new {folder}` makes one to fill in")


@contextmanager
def _ended_by_signal() -> Iterator[None]:
    """Let SIGTERM end the watch as Ctrl-C does."""

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
