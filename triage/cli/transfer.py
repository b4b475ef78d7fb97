"""The commands about handing a session over: handover and receive."""

from pathlib import Path
from typing import Annotated

import typer

from triage.cli.options import FormOption
from triage.cli.output import NEEDS_ATTENTION, Form, notify, progress_bar, put


def hand_over(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The session's folder")],
    to: Annotated[Path | None, typer.Option(metavar="BAG", help="The bag's folder; else FOLDER-bag")] = None,
    manifest_only: Annotated[
        bool, typer.Option("--manifest-only", help="Only the bag's manifests: no recording is linked or copied")
    ] = False,
    copy: Annotated[bool, typer.Option("--copy", help="Copy the files into the bag, as to another disk")] = False,
) -> None:
    """Hand a session over. Writes a BagIt bag (RFC 8493, SHA-256) of hard links, of copies, or of manifests only."""
    from triage.transfer.handover import COPIED, LINKED, NOT_IN_IT, write_bag

    if manifest_only and copy:
        raise typer.BadParameter("--manifest-only and --copy do not go together")
    how = NOT_IN_IT if manifest_only else COPIED if copy else LINKED
    with progress_bar() as progress:
        done = write_bag(folder, to, how, progress)
    for line in done.notes:
        notify(f"note: {line}")
    put(f"{done.bag}: {done.files} files, {done.size_bytes} bytes, {done.hashed} of them read now\n")
    if done.left_out:
        raise typer.Exit(NEEDS_ATTENTION)


def receive(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The bag, or the session's folder beside its bag")],
    bag: Annotated[
        Path | None, typer.Option(metavar="BAG", help="Where the manifests are; else FOLDER itself or FOLDER-bag")
    ] = None,
    form: FormOption = Form.table,
    again: Annotated[bool, typer.Option("--again", help="Read every file again, whatever is remembered")] = False,
) -> None:
    """Check what a hand-over brought. File by file, take by take; status 3 until all of it is whole."""
    from triage.cli.transfer_text import received_text
    from triage.transfer.receive import check_arrival

    with progress_bar() as progress:
        found = check_arrival(folder, bag, progress, again)
    put(received_text(form, found))
    if not found.complete:
        raise typer.Exit(NEEDS_ATTENTION)
