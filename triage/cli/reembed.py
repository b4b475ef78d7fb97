"""The command `triage reembed`: a whole library looked at again after a new encoder."""

from typing import Annotated

import typer

from triage.cli.options import StoreOption, opened_store
from triage.cli.output import progress_bar, put, say
from triage.store.engine import reading
from triage.store.takes import sessions


def reembed_sessions(
    session: Annotated[
        list[str] | None, typer.Argument(metavar="[SESSION]...", help="Names of sessions; else all of the store")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Work on this Ray cluster; `local`: this machine's cores")
    ] = None,
    store: StoreOption = None,
) -> None:
    """Look at sessions again with a new encoder. Notes and hits stay, one track a take is read, ranks are new."""
    from triage.reembed import reembed

    with opened_store(store) as engine, progress_bar() as tell:
        with reading(engine) as db:
            names = session or [one.name for one in sessions(db)]
        for name, done, lines in reembed(engine, names, tell, cluster):
            put(f"{name}: {done} takes looked at again\n")
            for line in lines:
                say(f"note: {name}: {line}")
