"""The commands about handing a session over: handover and receive."""

from pathlib import Path
from typing import Annotated

import typer

from triage.cli.options import FormOption, StoreOption, opened_store
from triage.cli.output import NEEDS_ATTENTION, Form, notify, progress_bar, put
from triage.domain.errors import ConfigError, TriageError


def hand_over(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The session's folder")],
    to: Annotated[Path | None, typer.Option(metavar="BAG", help="The bag's folder; else FOLDER-bag")] = None,
    manifest_only: Annotated[
        bool, typer.Option("--manifest-only", help="Only the bag's manifests: no recording is linked or copied")
    ] = False,
    copy: Annotated[bool, typer.Option("--copy", help="Copy the files into the bag, as to another disk")] = False,
    store: StoreOption = None,
) -> None:
    """Hand a session over. Writes a BagIt bag (RFC 8493, SHA-256) of hard links, of copies, or of manifests only.

    What people said of the session and what was found in it go with it; status 3 where files are missing or damaged.
    """
    from triage.transfer.handover import COPIED, LINKED, NOT_IN_IT, write_bag

    if manifest_only and copy:
        raise typer.BadParameter("--manifest-only and --copy do not go together")
    how = NOT_IN_IT if manifest_only else COPIED if copy else LINKED
    record, without = _record(folder, store)
    with progress_bar() as progress:
        done = write_bag(folder, to, how, progress, record)
    for line in (*done.notes, *([without] if without else [])):
        notify(f"note: {line}")
    for line in done.incomplete:
        notify(f"handed over without: {line}")
    put(f"{done.bag}: {done.files} files, {done.size_bytes} bytes, {done.hashed} of them read now\n")
    if done.left_out or done.incomplete:
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


def _record(folder: Path, store: str | None) -> tuple[dict[str, str], str]:
    """Return what the store holds of the session in this folder, as files of the bag, or why nothing goes with it."""
    from triage.intake.session import read_session
    from triage.store.engine import reading
    from triage.store.takes import find_session
    from triage.transfer.session_record import record_texts

    try:
        with opened_store(store) as engine, reading(engine) as db:
            session = find_session(db, read_session(folder).name)
            if Path(session.folder).resolve() != folder.resolve():
                raise ConfigError(f"the store has {session.name!r} from {session.folder}, not from here")
            return record_texts(db, session), ""
    except TriageError as error:
        return {}, f"verdicts and findings do not go with it: {error}"
