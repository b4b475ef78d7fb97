"""The command `triage verdict`: one verdict, or a CSV of them; what could mean two things is not guessed."""

import csv
from collections.abc import Iterator
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Annotated, Any

import typer
from sqlalchemy import Connection

from triage.cli.options import ByOption, StoreOption, login_name, opened_store
from triage.cli.output import NEEDS_ATTENTION, counted, notify, put
from triage.domain.errors import ConfigError, TriageError
from triage.domain.verdict import Verdict
from triage.store.accounts import people
from triage.store.engine import writing
from triage.store.standing import standing_verdicts
from triage.store.stored import StoredSession
from triage.store.takes import find_session, sessions_with
from triage.store.verdicts import record_verdict

NEEDED, OPTIONAL = ("take", "verdict"), ("note", "reason", "by", "session")  # columns of a CSV of verdicts


class Choice(str, Enum):  # noqa: UP042 - see output.Form
    """What a verdict can be."""

    accept = "accept"
    reject = "reject"
    unsure = "unsure"


def give_verdict(
    take: Annotated[str | None, typer.Argument(metavar="TAKE", help="Name of the take")] = None,
    verdict: Annotated[Choice | None, typer.Argument(metavar="accept|reject|unsure", help="The verdict")] = None,
    note: Annotated[int | None, typer.Option(min=1, help="Only this note of the take, from 1")] = None,
    reason: Annotated[str | None, typer.Option(help="Why, in a few words")] = None,
    by: ByOption = None,
    session: Annotated[
        str | None, typer.Option(help="Name of the session; needed where several have a take of that name")
    ] = None,
    from_csv: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help=f"Read verdicts from a CSV: {' '.join(NEEDED)}, {' '.join(OPTIONAL)}"),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Record a verdict on a take or on one note of it. Earlier ones stay, the last one counts; or many from a CSV."""
    if (from_csv is None) == (take is None or verdict is None) or (from_csv and (take or note or reason)):
        raise typer.BadParameter("give TAKE and a verdict, or a file of them with --from-csv")
    now = datetime.now(UTC)
    with opened_store(store) as engine, writing(engine) as db:
        if from_csv is not None:
            given, known, slips = _from_csv(db, from_csv, session, by, now)
        else:
            assert take is not None and verdict is not None
            found = _session_of(db, take, session)
            one = Verdict(take, verdict.value, _giver(db, by), now, note, reason)
            record_verdict(db, found.id, one)
    if from_csv is None:
        put(f"{found.name}: {take if note is None else f'{take} note {note}'}: {one.verdict} by {one.by}\n")
        return
    for line in slips:
        notify(f"note: {line}")
    there = f", {known} were there already" if known else ""
    put(f"{from_csv}: {counted(given, 'verdict')} recorded{there}\n")
    if slips:
        raise typer.Exit(NEEDS_ATTENTION)


def _session_of(db: Connection, take: str, name: str | None) -> StoredSession:
    """Return the session that is meant: the named one, or the only one that has such a take."""
    if name is not None:
        return find_session(db, name)
    holding = sessions_with(db, take)
    if len(holding) > 1:
        names = ", ".join(one.name for one in holding)
        raise ConfigError(f"{len(holding)} sessions have a take {take}: {names}; say which one with --session")
    return holding[0] if holding else find_session(db)


def _giver(db: Connection, by: str | None) -> str:
    """Return who gives a verdict; whoever is logged in only where nobody else can be meant."""
    if by is not None:
        return by
    login, known = login_name(), [person.name for person in people(db)]
    if known and login not in known:
        raise ConfigError(f"whose verdict is it? {login!r} is none of {', '.join(known)}; say so with --by NAME")
    return login


def _from_csv(
    db: Connection, path: Path, session: str | None, by: str | None, now: datetime
) -> tuple[int, int, list[str]]:
    """Record what a file holds; return how many were new, how many stand already, and a line for each slip."""
    given = known = 0
    slips = []
    for line, row in _rows(path):
        try:
            found = _session_of(db, row["take"], row.get("session") or session)
            one = _verdict(row, row.get("by") or _giver(db, by), now)
            if _stands(db, found.id, one):
                known += 1
                continue
            record_verdict(db, found.id, one)
            given += 1
        except TriageError as error:
            slips.append(f"{path.name} line {line}: {error}; left out")
    return given, known, slips


def _rows(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8"
        raise ConfigError(f"{path}: cannot be read ({reason}); name a CSV of verdicts, UTF-8") from None
    header = text.splitlines()[0] if text else ""
    reader = csv.DictReader(text.splitlines(), delimiter=max(",;\t", key=header.count), skipinitialspace=True)
    columns = [(name or "").strip().lower() for name in reader.fieldnames or ()]
    if lacking := [name for name in NEEDED if name not in columns]:
        raise ConfigError(
            f"{path}: no column {lacking[0]!r}; the first line names take, verdict and, if you like, "
            f"{', '.join(OPTIONAL)}"
        )
    reader.fieldnames = columns
    for row in reader:
        yield reader.line_num, {name: (value or "").strip() for name, value in row.items() if isinstance(value, str)}


def _verdict(row: dict[str, Any], by: str, now: datetime) -> Verdict:
    note = row.get("note", "")
    if note and not (note.isascii() and note.isdigit() and int(note)):
        raise ConfigError(f"note {note!r} is no number from 1")
    return Verdict(
        row["take"], row["verdict"].lower(), by, now, int(note) if note else None, row.get("reason") or None
    )


def _stands(db: Connection, session_id: int, one: Verdict) -> bool:
    """Tell whether this very verdict counts already, so that a file may be read twice."""
    wanted = (one.take, one.note, one.verdict, one.by, one.reason)
    return any((v.take, v.note, v.verdict, v.by, v.reason) == wanted for v in standing_verdicts(db, session_id))
