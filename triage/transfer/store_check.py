"""Checking: one store, from the database's pages to what the recordings' folders hold.

In: ``db``, one moment of the store. Out: a Check for each thing looked at, with the lines that it found. What is
unsound needs a person: go back to a copy, or ask for help. A note may need a look and is no fault of the store:
recordings may be on another machine. Nothing is changed.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection

from triage.audition.folders import session_folder
from triage.domain.errors import TriageError
from triage.store.database_health import damage, orphans
from triage.store.models import models, uses, version_in_use
from triage.store.soundness import clock_jumps, counts, incomplete_takes, open_points, pointers, ranks, verdict_states
from triage.store.takes import sessions, tracks_of_session

SOUND, UNSOUND, NOTE = "sound", "unsound", "note"


@dataclass(frozen=True)
class Check:
    """One thing that was looked at: sound, unsound, or a note; and what was found."""

    what: str
    state: str
    lines: tuple[str, ...] = ()


LOOKED_AT: tuple[tuple[str, str, Callable[[Connection], list[str]]], ...] = (
    ("the database itself", UNSOUND, damage),
    ("every row has its owner", UNSOUND, orphans),
    ("no take is stored by half", UNSOUND, incomplete_takes),
    ("ranks run without gaps", UNSOUND, ranks),
    ("counts agree", UNSOUND, counts),
    ("verdicts", UNSOUND, verdict_states),
    ("hits, spots and pictures point at what is there", UNSOUND, pointers),
)


def look_over(db: Connection, recordings: Sequence[Path] = (), now: datetime | None = None) -> Iterator[Check]:
    """Yield what was found of one thing after another; a damaged database ends it, for the rest would be guesses."""
    for what, worst, look in LOOKED_AT:
        lines = look(db)
        yield _check(what, worst, lines)
        if look is damage and lines:
            return
    yield _check("models open and are what was made", UNSOUND, model_faults(db))
    yield _check("judged by the model in use", NOTE, other_models(db))
    yield _check("nothing waits", NOTE, open_points(db))
    yield _check("dates", NOTE, clock_jumps(db, now or datetime.now(UTC)))
    yield _check("recordings are where they were", NOTE, recordings_away(db, recordings))


def model_faults(db: Connection) -> list[str]:
    """Return models that were changed or do not open, and uses of models that are not there."""
    known, in_use = {model.version for model in models(db)}, version_in_use(db)
    lines = [
        f"model {use.version} was put to use and is not there"
        for use in uses(db)
        if use.version and use.version not in known
    ]
    if not known:
        return lines
    from triage.ranking.model_in_use import load_version  # late: it loads the encoder's library

    for model in models(db):
        try:
            load_version(db, model.version)
        except TriageError as error:
            # An older version may well be for an encoder that is gone; the one in use must judge.
            if "encoder" not in str(error) or model.version == in_use:
                lines.append(str(error))
    return lines


def other_models(db: Connection) -> list[str]:
    """Return sessions that another model judged than the one in use."""
    in_use = version_in_use(db)
    return [
        f"session {one.name} was judged by {one.model}, {in_use} is in use; take it in again, or use the model again"
        for one in sessions(db)
        if in_use and one.model and one.model != in_use
    ]


def recordings_away(db: Connection, roots: Sequence[Path]) -> list[str]:
    """Return, for each session, how many of its recordings are missing or not as they were read."""
    lines = []
    for session in sessions(db):
        try:
            folder = session_folder(session.folder, roots)
        except TriageError:
            lines.append(f"session {session.name}: {session.folder} is not on this machine")
            continue
        files = {track.path: track.size_bytes for track in tracks_of_session(db, session.id)}
        sizes = {path: _size(folder / path) for path in files}
        gone = [path for path, size in sizes.items() if size is None]
        other = [path for path, size in sizes.items() if None not in (size, files[path]) and size != files[path]]
        for found, state in ((gone, "not there"), (other, "of another size than when they were read")):
            if found:
                first = f"the first is {min(found)}"
                lines.append(f"session {session.name}: {len(found)} of {len(files)} files are {state}, {first}")
    return lines


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _check(what: str, worst: str, lines: list[str]) -> Check:
    return Check(what, worst if lines else SOUND, tuple(lines))
