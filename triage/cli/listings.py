"""The commands that list a session: queue, notes, arrivals."""

from typing import Annotated

import typer

from triage.cli.listing_text import arrivals_text, notes_text, queue_text
from triage.cli.options import FormOption, SessionArgument, StoreOption, opened_session
from triage.cli.output import NEEDS_ATTENTION, Form, put
from triage.store.arrivals import arrivals
from triage.store.notes import notes
from triage.store.ranking import queue, queue_length


def show_queue(
    session: SessionArgument = None,
    form: FormOption = Form.table,
    top: Annotated[int | None, typer.Option(min=1, help="Show only so many takes")] = None,
    still_open: Annotated[bool, typer.Option("--open", help="Only the takes that have no verdict yet")] = False,
    store: StoreOption = None,
) -> None:
    """Show the ranked queue. Every take with its doubtful spots, the one to hear first at the top."""
    with opened_session(store, session) as (db, found):
        if still_open:
            entries = [entry for entry in queue(db, found.id) if entry.verdict is None][:top]
        else:
            entries = list(queue(db, found.id, limit=top))
        text = queue_text(form, found, entries, queue_length(db, found.id))
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
