"""The command ``triage demo``; the session itself is made by ``training/demo_session.py``, loaded when it runs."""

from pathlib import Path
from typing import Annotated

import typer

from triage.cli.output import notify, progress_bar, put

CAUTION = (
    "A rank is no verdict: what is left below is only less likely to be bad. Mind your ears: after a spot heard with "
    "raised gain a full-level note may follow."
)


def demo(
    folder: Annotated[Path, typer.Option(help="Where the session is written")] = Path("triage-demo"),
    serve: Annotated[bool, typer.Option("--serve/--no-serve", help="Open the desk afterwards")] = True,
    port: Annotated[int, typer.Option(min=1, max=65_535, help="Port of the desk")] = 8451,
    store: Annotated[
        str | None, typer.Option("--store", metavar="URL", help="Database; else TRIAGE_STORE, else FOLDER/triage.db")
    ] = None,
) -> None:
    """Make an invented session with known faults. It is taken in, and the head of its queue shown.

    Example: triage demo --folder kettle-weir --no-serve
    """
    from training.demo_session import demo_recipe, render_demo, take_in_demo
    from triage.store.address import store_url
    from triage.store.engine import open_store

    with progress_bar() as progress:
        truth = render_demo(folder, demo_recipe(), progress)
    address = store_url(store, default=f"sqlite:///{folder / 'triage.db'}")
    engine = open_store(address)
    try:
        put(take_in_demo(folder, truth, engine))
    finally:
        engine.dispose()
    notify(f"session in {folder}, what was planted in {folder / 'truth.json'}, store {address}")
    notify(f"to go on: `triage desk --store {address}`, and likewise queue, notes, hits, arrivals")
    notify(CAUTION)
    if serve:
        open_desk(address, port)


def open_desk(address: str, port: int) -> None:
    """Serve the pages on this machine until Ctrl-C."""
    from triage.desk.serving import serve
    from triage.desk.settings import DeskSettings

    settings = DeskSettings(address, port=port)
    serve(settings, ready=lambda: notify(f"the desk is open at {settings.address} (Ctrl-C ends it)"))
