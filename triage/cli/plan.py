"""The commands about the plan and the hand-over: pickups, keep, handover, receive."""

from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Connection

from triage.cli.options import FormOption, StoreOption, login, opened_store
from triage.cli.output import Form, progress_bar, put, say
from triage.domain.errors import ConfigError
from triage.domain.verdict import NoteChoice
from triage.store.choices import record_choice
from triage.store.engine import reading, writing
from triage.store.takes import find_session

NEEDS_A_PERSON = 3


SheetForm = Annotated[Form, typer.Option("--format", help="How the result is written; html prints on paper")]
PlanArgument = Annotated[
    str | None, typer.Argument(metavar="[SESSION]", help="Only this session's plan; else all sessions' so far")
]
Bound = Annotated[
    float | None, typer.Option("--bound", min=0.0, max=1.0, help="A note of this doubt or more is not clean")
]
Repetitions = Annotated[
    int | None, typer.Option("--repetitions", min=1, help="Wanted of every cell; else what the take sheets ask for")
]


def show_pickups(
    session: PlanArgument = None,
    form: SheetForm = Form.table,
    bound: Bound = None,
    repetitions: Repetitions = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write to this file, not to stdout")] = None,
    store: StoreOption = None,
) -> None:
    """List what to record again. Cells without enough clean matching notes, the most worthwhile call first."""
    from triage.cli.plan_tables import pickups_text
    from triage.judge.clean_notes import DOUBT_BOUND
    from triage.sheets.pickups import pickup_list

    with opened_store(store) as engine, reading(engine) as db:
        chosen = _plan_session(db, session)
        found = pickup_list(db, chosen, DOUBT_BOUND if bound is None else bound, repetitions=repetitions)
    text = pickups_text(form, found)
    put(text) if out is None else _write(out, text)


def show_keep(
    session: PlanArgument = None,
    form: FormOption = Form.table,
    keep: Annotated[
        list[str] | None, typer.Option(metavar="TAKE:NOTE[:REP]", help="Choose this note, whatever it costs")
    ] = None,
    free: Annotated[
        list[str] | None, typer.Option(metavar="TAKE:NOTE", help="Choose it no longer; the costs decide again")
    ] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who chooses; else who is logged in")] = None,
    bound: Bound = None,
    repetitions: Repetitions = None,
    cue: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write a file of cue markers for each take there")
    ] = None,
    cue_silence: Annotated[
        bool, typer.Option("--cue-silence", help="Make those files as long as the take, 8-bit silence")
    ] = False,
    store: StoreOption = None,
) -> None:
    """List the notes to keep. Of each cell those with which the keyboard runs most evenly, and what each costs."""
    from triage.cli.plan_tables import keep_text
    from triage.judge.clean_notes import DOUBT_BOUND
    from triage.sheets.best_set import keep_set

    with opened_store(store) as engine:
        if keep or free:
            with writing(engine) as db:
                _choose(db, session, keep or [], free or [], by or login())
        with reading(engine) as db:
            found = keep_set(
                db, _plan_session(db, session), DOUBT_BOUND if bound is None else bound, repetitions=repetitions
            )
            if cue is not None:
                from triage.transfer.cue_markers import write_cues

                written = write_cues(db, found, cue, cue_silence)
                say(f"{written} {'file' if written == 1 else 'files'} of cue markers written to {cue}")
    put(keep_text(form, found))


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
    with progress_bar() as tell:
        done = write_bag(folder, to, how, tell)
    for line in done.notes:
        say(f"note: {line}")
    put(f"{done.bag}: {done.files} files, {done.size_bytes} bytes, {done.hashed} of them read now\n")
    if done.left_out:
        raise typer.Exit(NEEDS_A_PERSON)


def receive(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The bag, or the session's folder beside its bag")],
    bag: Annotated[
        Path | None, typer.Option(metavar="BAG", help="Where the manifests are; else FOLDER itself or FOLDER-bag")
    ] = None,
    form: FormOption = Form.table,
    again: Annotated[bool, typer.Option("--again", help="Read every file again, whatever is remembered")] = False,
) -> None:
    """Check what a hand-over brought. File by file, take by take; status 3 until all of it is whole."""
    from triage.cli.plan_tables import received_text
    from triage.transfer.receive import check_arrival

    with progress_bar() as tell:
        found = check_arrival(folder, bag, tell, again)
    put(received_text(form, found))
    if not found.complete:
        raise typer.Exit(NEEDS_A_PERSON)


def _plan_session(db: Connection, name: str | None) -> int | None:
    """Return the id of a named session; an empty store is an error either way."""
    found = find_session(db, name)
    return None if name is None else found.id


def _choose(db: Connection, session: str | None, keep: list[str], free: list[str], by: str) -> None:
    said: dict[bool, list[str]] = defaultdict(list)
    said[True], said[False] = keep, free
    now, session_id = datetime.now(UTC), find_session(db, session).id
    for kept, words in said.items():
        for word in words:
            take, note, repetition = _place(word)
            record_choice(db, session_id, NoteChoice(take, note, kept, by, now, repetition))


def _place(text: str) -> tuple[str, int, int | None]:
    """Return take, note, repetition of "T012:4" or "T012:4:2"; a take's name may hold a colon itself."""
    head, _, last = text.rpartition(":")
    take, _, middle = head.rpartition(":")
    if take and middle.isascii() and middle.isdigit() and last.isascii() and last.isdigit():
        return take, int(middle), int(last)
    if head and last.isascii() and last.isdigit():
        return head, int(last), None
    raise ConfigError(f"{text!r} names no note; write TAKE:NOTE as T012:4, or T012:4:2 for repetition 2")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written ({error.strerror}); name another file with --out") from None
    say(f"written to {path}")
