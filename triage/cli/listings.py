"""The commands that list a session (queue, notes, arrivals), and the one that gives a verdict."""

from datetime import UTC, datetime
from enum import Enum
from typing import Annotated

import typer

from triage.cli.listing_text import arrivals_text, notes_text, queue_text
from triage.cli.options import (
    ByOption,
    FormOption,
    SessionArgument,
    StoreOption,
    login_name,
    opened_session,
    opened_store,
)
from triage.cli.output import NEEDS_ATTENTION, Form, put
from triage.domain.verdict import Verdict
from triage.store.arrivals import arrivals
from triage.store.engine import writing
from triage.store.notes import notes
from triage.store.ranking import queue, queue_length
from triage.store.takes import find_session
from triage.store.verdicts import record_verdict


class Choice(str, Enum):  # noqa: UP042 - see output.Form
    """What a verdict can be."""

    accept = "accept"
    reject = "reject"
    unsure = "unsure"


def show_queue(
    session: SessionArgument = None,
    form: FormOption = Form.table,
    top: Annotated[int | None, typer.Option(min=1, help="Show only so many takes")] = None,
    store: StoreOption = None,
) -> None:
    """Show the ranked queue. Every take with its doubtful spots, the one to hear first at the top."""
    with opened_session(store, session) as (db, found):
        text = queue_text(form, found, queue(db, found.id, limit=top), queue_length(db, found.id))
    put(text)


def show_notes(session: SessionArgument = None, form: FormOption = Form.table, store: StoreOption = None) -> None:
    """Show the measured notes. The table has the main measurements, json and csv have all."""
    with opened_session(store, session) as (db, found):
        text = notes_text(form, found, notes(db, found.id))
    put(text)


def show_arrivals(session: SessionArgument = None, form: FormOption = Form.table, store: StoreOption = None) -> None:
    """List file problems. Missing, unexpected, broken, unlike the others; status 3 if missing or broken."""
    with opened_session(store, session) as (db, found):
        arrived = arrivals(db, found.id)
    put(arrivals_text(form, found, arrived))
    if any(entry.kind in ("missing", "broken") for entry in arrived.entries):
        raise typer.Exit(NEEDS_ATTENTION)


def give_verdict(
    take: Annotated[str, typer.Argument(metavar="TAKE", help="Name of the take")],
    verdict: Annotated[Choice, typer.Argument(metavar="accept|reject|unsure", help="The verdict")],
    note: Annotated[int | None, typer.Option(min=1, help="Only this note of the take, from 1")] = None,
    reason: Annotated[str | None, typer.Option(help="Why, in a few words")] = None,
    by: ByOption = None,
    session: Annotated[str | None, typer.Option(help="Name of the session; else the one taken in last")] = None,
    store: StoreOption = None,
) -> None:
    """Record a verdict on a take or on one note of it. Earlier ones stay, the last one counts."""
    given = Verdict(take, verdict.value, by or login_name(), datetime.now(UTC), note, reason)
    with opened_store(store) as engine, writing(engine) as db:
        found = find_session(db, session)
        record_verdict(db, found.id, given)
    what = take if note is None else f"{take} note {note}"
    put(f"{found.name}: {what}: {given.verdict} by {given.by}\n")
