"""The command `triage hits`: the noise hits as a listing or as the sheet on paper, and marks of the harmless ones."""

from typing import Annotated

import typer
from sqlalchemy import Connection

from triage.cli.listing_text import hits_text
from triage.cli.options import (
    ByOption,
    OutOption,
    SessionArgument,
    SheetForm,
    StoreOption,
    login_name,
    opened_session,
    opened_store,
)
from triage.cli.output import Form, counted, progress_bar, put, put_or_write
from triage.store.engine import reading
from triage.store.hits import hits, hits_by_kind, hits_by_mic
from triage.store.stored import StoredSession
from triage.store.takes import find_session


def show_hits(
    session: SessionArgument = None,
    form: SheetForm = Form.table,
    out: OutOption = None,
    everything: Annotated[bool, typer.Option("--all", help="List the harmless ones too")] = False,
    harmless: Annotated[
        list[str] | None,
        typer.Option(metavar="GROUP", help="Mark a group as harmless: suppressed from now on; may be given again"),
    ] = None,
    not_harmless: Annotated[
        list[str] | None, typer.Option(metavar="GROUP", help="Bring a group back; may be given again")
    ] = None,
    by: ByOption = None,
    store: StoreOption = None,
) -> None:
    """Show the noise hits. When, what kind, which microphone, how loud, whether they are audible."""
    if harmless and not_harmless:
        raise typer.BadParameter("--harmless and --not-harmless do not go together")
    if groups := harmless or not_harmless:
        _mark(store, session, groups, by, bool(harmless))
        return
    with opened_session(store, session) as (db, found), progress_bar() as progress:
        progress("grouping the noises", 0, 0)
        text = _noise(form, db, found, everything)
    put_or_write(text, out)


def _noise(form: Form, db: Connection, found: StoredSession, everything: bool) -> str:
    from triage.sheets.noise import noise_page, noise_sheet

    sheet = noise_sheet(db, found.id, everything)
    if form is Form.html:
        from triage.audition.hit_excerpts import spectrogram_and_sound

        return noise_page(sheet, *spectrogram_and_sound(db, found))
    counts = (hits_by_mic(db, found.id, everything), hits_by_kind(db, found.id, everything))
    return hits_text(form, found, hits(db, found.id, harmless=everything), counts, sheet)


def _mark(store: str | None, session: str | None, groups: list[str], by: str | None, harmless: bool) -> None:
    from triage.ranking.session import mark_groups

    with opened_store(store) as engine, progress_bar() as progress:
        progress("ranking the session", 0, 0)
        with reading(engine) as db:
            found = find_session(db, session)
        suppressed = mark_groups(engine, found, groups, by or login_name(), harmless)
    state = f"harmless, {counted(suppressed, 'hit')} suppressed" if harmless else "on the list again"
    put(f"{found.name}: {', '.join(groups)}: {state}; session re-ranked\n")
