"""The library as it was put together, for whoever cuts it: a list (JSON, CSV) of clean notes and their files.

In: the kept notes of ``sheets/best_set.py`` and the store. Out: ``KeptList``, checked: nothing unclean, nothing
twice; and folders or a ZIP archive of it with its cue markers. What is left out of it is named with the reason.
"""

import json
import tempfile
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path

from sqlalchemy import Connection

from triage.domain.errors import ConfigError, JudgeError
from triage.domain.text import csv_text, rounded
from triage.sheets.best_set import KeepSet, KeptNote
from triage.store.takes import find_session, find_take, tracks
from triage.transfer.cue_markers import write_cues

LIST_JSON, LIST_CSV = "keepers.json", "keepers.csv"
KEPT = tuple(
    "session take note instrument articulation dynamic pitch pitch_midi repetition start_s end_s chosen".split()
)


@dataclass(frozen=True)
class LeftOut:
    """A note that stands in the set because its cell has no clean one, and what is wrong with it."""

    session: str
    take: str
    note: int
    pitch: str
    why: str


@dataclass(frozen=True)
class KeptList:
    """The clean notes of a set, each with its take's files (microphone -> path in the session's folder)."""

    sessions: tuple[str, ...]
    kept: tuple[KeptNote, ...]
    files: tuple[dict[str, str], ...]
    left_out: tuple[LeftOut, ...]


def kept_list(db: Connection, found: KeepSet) -> KeptList:
    """Return the clean notes of a set, or fail with a line on the first that should not be among them."""
    whys = {
        (one.session, one.take, one.note): one.fault or "not clean"
        for of in found.groups
        for one in of.candidate_notes
    }
    clean = tuple(note for note in found.kept if note.clean)
    left = tuple(
        LeftOut(note.session, note.take, note.note, note.pitch, whys[note.session, note.take, note.note])
        for note in found.kept
        if not note.clean
    )
    of_take: dict[tuple[str, str], dict[str, str]] = {}
    for session, name in dict.fromkeys((note.session, note.take) for note in clean):
        own = tracks(db, find_take(db, find_session(db, session).id, name).id)
        of_take[session, name] = {track.mic: track.path for track in own if not track.problem}
    made = KeptList(found.sessions, clean, tuple(of_take[note.session, note.take] for note in clean), left)
    if wrong := next(_wrong(found, made), None):
        raise JudgeError(f"the list of notes to keep was not written: {wrong}")
    return made


def json_list(found: KeptList) -> str:
    """Return the list as JSON."""
    notes = [_row(note) | {"files": files} for note, files in _pairs(found)]
    whole = {"sessions": found.sessions, "kept": notes, "left_out": [asdict(one) for one in found.left_out]}
    return json.dumps(rounded("", whole), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def csv_list(found: KeptList) -> str:
    """Return the clean notes as CSV, the files of a note in one cell."""
    rows = ([*_row(note).values(), " ".join(files.values())] for note, files in _pairs(found))
    return csv_text((*KEPT, "files"), rows)


def write_keepers(db: Connection, found: KeepSet, folder: Path, silence: bool) -> tuple[int, KeptList]:
    """Write markers and lists into a folder of their own; return how many files of markers, and the list."""
    listed = kept_list(db, found)
    written = write_cues(db, found, folder, silence)
    for name, text in ((LIST_JSON, json_list), (LIST_CSV, csv_list)):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text(listed), encoding="utf-8")
        except OSError as error:
            raise ConfigError(f"{folder / name}: cannot be written ({error.strerror}); name another folder") from None
    return written, listed


def keepers_zip(db: Connection, found: KeepSet) -> bytes:
    """Return the same as a ZIP archive."""
    packed = BytesIO()
    with tempfile.TemporaryDirectory() as home, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        write_keepers(db, found, Path(home), silence=False)
        for path in sorted(Path(home).rglob("*")):
            if path.is_file():
                archive.write(path, path.relative_to(home).as_posix())
    return packed.getvalue()


def _pairs(found: KeptList) -> Iterator[tuple[KeptNote, dict[str, str]]]:
    return zip(found.kept, found.files, strict=True)


def _row(note: KeptNote) -> dict[str, object]:
    return {name: getattr(note, name) for name in KEPT}


def _wrong(found: KeepSet, made: KeptList) -> Iterator[str]:
    """Yield what must not be in a list: checked on what is about to be written, not on how it was made."""
    faults = {(one.session, one.take, one.note): one.fault for of in found.groups for one in of.candidate_notes}
    for note, files in _pairs(made):
        name = f"{note.take} note {note.note}"
        if fault := faults.get((note.session, note.take, note.note)):
            yield f"{name}: {fault}"
        if not files:
            yield f"{name} has no whole file"
        if not note.start_s < note.end_s:
            yield f"{name} ends at {note.end_s:g} s, before it begins"
    once: tuple[tuple[str, Callable[[KeptNote], tuple[object, ...]]], ...] = (
        ("stands there twice", lambda one: (one.session, one.take, one.note)),
        (
            "fills a place that is filled",
            lambda one: (one.instrument, one.articulation, one.dynamic, one.pitch_midi, one.repetition),
        ),
    )
    for what, place in once:
        counted = Counter(map(place, made.kept))
        yield from (f"{one.take} note {one.note} {what}" for one in made.kept if counted[place(one)] > 1)
