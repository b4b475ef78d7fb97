"""The command `triage watch`: follows a session's folder while it is recorded, a line a take."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from triage.cli.options import StoreOption, opened_store
from triage.cli.output import put, say
from triage.domain.errors import ConfigError

if TYPE_CHECKING:
    from triage.watch import TakenIn


def watch_folder(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The session's folder")],
    steady: Annotated[
        float, typer.Option(min=0.1, max=600, metavar="S", help="A file that stands still so long may be whole")
    ] = 1.0,
    grace: Annotated[
        float, typer.Option(min=0, max=3600, metavar="S", help="Wait so long for a take's other microphones")
    ] = 10.0,
    poll: Annotated[
        float | None,
        typer.Option(min=0.2, max=3600, metavar="S", help="Look every S seconds: for shares that tell of no change"),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Take a session in while it is recorded. Each take as soon as its files are whole; Ctrl-C ends it."""
    if not folder.is_dir():
        raise ConfigError(f"{folder}: no such folder; `triage new {folder}` makes one to fill in")
    from triage.intake.arriving import Pace
    from triage.watch import Follower, watch

    pace = Pace(steady, max(20.0, 2 * steady), grace)
    with opened_store(store, create=True) as engine, _ended_by_signal():
        follower = Follower(folder, engine, pace, lambda one: put(line_of(one)), lambda line: say(f"note: {line}"))
        say(f"watching {folder} (Ctrl-C ends it; what is taken in stays, and the next watch goes on)")
        try:
            watch(follower, poll)
        except KeyboardInterrupt:
            say("the watch has ended; `triage intake` takes in what is still to come")


def line_of(one: "TakenIn") -> str:
    """Return one line on a take: its name and cell, its doubt, its first reason."""
    take, spots = one.take.take, one.take.spots
    cell = " ".join(word for word in (take.instrument, take.articulation, take.dynamic) if word)
    why = f"{spots[0].kind}: {spots[0].why}" if spots else take.problem or "nothing stands out"
    missing = f"; missing: {', '.join(one.take.missing)}" if one.take.missing else ""
    doubt = "no doubt told" if take.doubt is None else f"doubt {take.doubt:.2f}"
    return f"{take.name}  {cell or 'not on the take sheet'}  {doubt}  {why}{missing}  ({one.after_s:.1f} s)\n"


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
