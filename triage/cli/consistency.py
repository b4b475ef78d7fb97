"""The command ``triage consistency``."""

from pathlib import Path
from typing import Annotated

import typer

from triage.cli.options import StoreOption, opened_store
from triage.cli.output import Form, progress_bar, put, say
from triage.domain.errors import ConfigError
from triage.store.engine import reading


def _no_csv(form: Form) -> Form:
    if form is Form.csv:
        raise typer.BadParameter("this report comes as table, json or html")
    return form


ReportForm = Annotated[
    Form, typer.Option("--format", metavar="[table|json|html]", callback=_no_csv, help="How the result is written")
]


def show_consistency(
    sessions: Annotated[
        list[str] | None, typer.Argument(metavar="[SESSION]...", help="Names of sessions; else all of the store")
    ] = None,
    form: ReportForm = Form.table,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write to this file, not to stdout")] = None,
    audio_mb: Annotated[float, typer.Option(min=0, help="Most audio in the html page, stray notes first")] = 24.0,
    store: StoreOption = None,
) -> None:
    """Show how even the keyboard is. Curves, dynamics, repetitions, drift, and where the spread comes from."""
    from triage.cli.consistency_tables import consistency_text
    from triage.sheets.consistency import consistency

    with opened_store(store) as engine, reading(engine) as db, progress_bar() as tell:
        report = consistency(db, sessions or ())
        if form is Form.html:
            from triage.audition.note_excerpts import note_excerpts
            from triage.sheets.consistency_page import by_interest, consistency_page

            text = consistency_page(report, note_excerpts(db, by_interest(report), tell, round(1e6 * audio_mb)))
        else:
            text = consistency_text(form, report)
    put(text) if out is None else _write(out, text)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written ({error.strerror}); name another file with --out") from None
    say(f"written to {path}")
