"""The commands about the plan: pickups and keep."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Connection

from triage.cli.options import ByOption, FormOption, OutOption, SheetForm, StoreOption, login_name, opened_store
from triage.cli.output import Form, counted, notify, progress_bar, put, put_or_write
from triage.domain.errors import ConfigError
from triage.domain.verdict import NoteChoice
from triage.store.choices import record_choice
from triage.store.engine import reading, writing
from triage.store.takes import find_session

PlanArgument = Annotated[
    str | None, typer.Argument(metavar="SESSION", help="Only this session's plan; else all sessions' so far")
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
    out: OutOption = None,
    store: StoreOption = None,
) -> None:
    """List what to record again. Cells without enough clean matching notes, the most worthwhile call first."""
    from triage.cli.plan_text import pickups_text
    from triage.judge.clean_notes import DOUBT_BOUND
    from triage.sheets.pickups import pickup_list

    with opened_store(store) as engine, reading(engine) as db, progress_bar() as progress:
        progress("counting the cells", 0, 0)
        chosen = _plan_session(db, session)
        found = pickup_list(db, chosen, DOUBT_BOUND if bound is None else bound, repetitions=repetitions)
    text = pickups_text(form, found)
    put_or_write(text, out)


def show_keep(
    session: PlanArgument = None,
    form: FormOption = Form.table,
    keep: Annotated[
        list[str] | None, typer.Option(metavar="TAKE:NOTE[:REP]", help="Choose this note, whatever it costs")
    ] = None,
    free: Annotated[
        list[str] | None, typer.Option(metavar="TAKE:NOTE", help="Choose it no longer; the costs decide again")
    ] = None,
    by: ByOption = None,
    bound: Bound = None,
    repetitions: Repetitions = None,
    cue: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write cue markers for each take and a list there")
    ] = None,
    cue_silence: Annotated[
        bool, typer.Option("--cue-silence", help="Make those files as long as the take, 8-bit silence")
    ] = False,
    store: StoreOption = None,
) -> None:
    """List the notes to keep. Of each cell those with which the keyboard is most consistent, and what each costs."""
    from triage.cli.plan_text import keep_text
    from triage.judge.clean_notes import DOUBT_BOUND
    from triage.sheets.best_set import keep_set

    with opened_store(store) as engine:
        if keep or free:
            with writing(engine) as db:
                _choose(db, session, keep or [], free or [], by or login_name())
        with reading(engine) as db, progress_bar() as progress:
            progress("choosing the notes", 0, 0)
            found = keep_set(
                db, _plan_session(db, session), DOUBT_BOUND if bound is None else bound, repetitions=repetitions
            )
            if cue is not None:
                from triage.transfer.keepers import write_keepers

                written, listed = write_keepers(db, found, cue, cue_silence)
                unclean = len(listed.left_out)
                left = f"; {counted(unclean, 'note')} that is not clean left out" if unclean == 1 else ""
                left = f"; {unclean} notes that are not clean left out" if unclean > 1 else left
                files = f"{counted(written, 'file')} of cue markers, keepers.json and keepers.csv"
                notify(f"{files} written to {cue}{left}")
    put(keep_text(form, found))


def _plan_session(db: Connection, name: str | None) -> int | None:
    """Return the id of a named session; an empty store is an error either way."""
    found = find_session(db, name)
    return None if name is None else found.id


def _choose(db: Connection, session: str | None, keep: list[str], free: list[str], by: str) -> None:
    now, session_id = datetime.now(UTC), find_session(db, session).id
    for kept, texts in ((True, keep), (False, free)):
        for take, note, repetition in map(_place, texts):
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
