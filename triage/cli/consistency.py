"""The command ``triage consistency``."""

from typing import Annotated

import typer

from triage.cli.options import OutOption, StoreOption, format_option, opened_store
from triage.cli.output import Form, progress_bar, put_or_write
from triage.store.engine import reading


def show_consistency(
    sessions: Annotated[
        list[str] | None, typer.Argument(metavar="SESSION", help="Names of sessions; else all of the store")
    ] = None,
    form: Annotated[Form, format_option("table", "json", "html")] = Form.table,
    out: OutOption = None,
    audio_mb: Annotated[float, typer.Option(min=0, help="Most audio in the html page, outliers first")] = 24.0,
    store: StoreOption = None,
) -> None:
    """Show how consistent the keyboard is. Curves, dynamics, repetitions, drift, and where the spread comes from."""
    from triage.cli.consistency_text import consistency_text
    from triage.sheets.consistency import consistency

    with opened_store(store) as engine, reading(engine) as db, progress_bar() as progress:
        progress("comparing the notes", 0, 0)
        report = consistency(db, sessions or ())
        if form is Form.html:
            from triage.audition.note_excerpts import note_excerpts
            from triage.sheets.consistency_page import by_interest, consistency_page

            text = consistency_page(report, note_excerpts(db, by_interest(report), progress, round(1e6 * audio_mb)))
        else:
            text = consistency_text(form, report)
    put_or_write(text, out)
