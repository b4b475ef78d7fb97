"""The commands about the store itself: check and upgrade."""

import typer

from triage.cli.options import FormOption, RecordingsOption, StoreOption, opened_store
from triage.cli.output import NEEDS_ATTENTION, Form, csv_text, json_text, progress_bar, put
from triage.domain.text import one_line
from triage.store.address import store_url
from triage.store.engine import reading, shown, upgrade_store


def check_store(
    recordings: RecordingsOption = None, form: FormOption = Form.table, store: StoreOption = None
) -> None:
    """Check whether the store is sound. Nothing is changed; status 3 if it is not. Recordings away are only noted."""
    from triage.transfer.store_check import UNSOUND, look_over

    found = []
    with opened_store(store) as engine, progress_bar() as progress:
        address = shown(engine)
        progress("checking the database", 0, 0)
        with reading(engine) as db:
            for check in look_over(db, recordings or ()):
                found.append(check)
                progress(f"checked: {check.what}", 0, 0)
    sound = all(check.state != UNSOUND for check in found)
    if form is Form.json:
        checks = [{"what": check.what, "state": check.state, "found": list(check.lines)} for check in found]
        put(json_text({"store": address, "sound": sound, "checks": checks}))
    elif form is Form.csv:
        rows = [(check.what, check.state, line) for check in found for line in check.lines or ("",)]
        put(csv_text(("what", "state", "found"), rows))
    else:
        for check in found:
            put(f"{check.state:<8} {check.what}\n")
            put("".join(f"         {one_line(line)}\n" for line in check.lines))
        end = "the store is sound" if sound else "the store is not sound: go back to a copy of it, or ask for help"
        put(f"{address}: {end}\n")
    if not sound:
        raise typer.Exit(NEEDS_ATTENTION)


def upgrade(store: StoreOption = None) -> None:
    """Upgrade an older store. Make a copy of it first; then its schema becomes this tool's own."""
    with progress_bar() as progress:
        progress("upgrading", 0, 0)
        before, after = upgrade_store(store_url(store))
    put(f"schema {after}, nothing to do\n" if before == after else f"schema {before or 'none'} -> {after}\n")
