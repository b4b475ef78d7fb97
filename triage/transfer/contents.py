"""What a session's folder holds for a hand-over: every file, with the take and microphone that it belongs to.

In: the folder. Out: paths, posix, relative to it; takes by the session's own name pattern; lines about what cannot be
handed over. The list also travels in the bag as contents.csv (path, size_bytes, take, mic): a manifest has no sizes,
and the receiving end wants to know what is still coming.
"""

import csv
import io
import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from triage.domain.errors import AudioError, TriageError
from triage.intake.names import NamePattern
from triage.intake.session import SESSION_FILE, SessionDescription, read_session
from triage.intake.sheet import SHEET_FILE, read_sheet

CONTENTS_FILE = "contents.csv"
MOST_BYTES = 100_000_000
COLUMNS = ("path", "size_bytes", "take", "mic")
# Left by file systems and by this tool's own store: no part of a session.
LITTER = ("thumbs.db", "desktop.ini", "$recycle.bin", "system volume information")
# A cell that begins so is computed by spreadsheets; the mark in front of it is taken off when the list is read.
MARKED = tuple("'=+-@ \t\r\n\uff1d\uff0b\uff0d\uff20")
STORE = ("triage.db", "triage.db-wal", "triage.db-shm", "triage.db-journal")


@dataclass(frozen=True)
class Content:
    """One file: path relative to the session, its size where known, and take and microphone if its name has them."""

    path: str
    size_bytes: int | None = None
    take: str | None = None
    mic: str | None = None


def list_contents(folder: Path) -> tuple[list[str], list[str]]:
    """Return every file of a folder, sorted, and a line for each that cannot be handed over.

    Files of the file system's own (names that begin with a dot) and this tool's store are passed over.
    """
    paths, problems = [], []
    for where, folders, names in os.walk(folder, onerror=lambda e: problems.append(f"{e.filename}: {e.strerror}")):
        folders[:] = sorted(name for name in folders if not is_litter(name))
        links = [name for name in folders if os.path.islink(os.path.join(where, name))]
        for name in (*sorted(names), *links):
            path = Path(where) / name
            relative = path.relative_to(folder).as_posix()
            if is_litter(name):
                continue
            if problem := _unfit(path, relative):
                problems.append(f"{ascii(relative)[1:-1]}: {problem}; not handed over")
            else:
                paths.append(relative)
    return sorted(paths), problems


def passed_over(folder: Path) -> list[str]:
    """Return what ``list_contents`` passes over, sorted; of a folder its own name with a slash."""
    found = []
    for where, folders, names in os.walk(folder):
        above = Path(where).relative_to(folder)
        found += [(above / name).as_posix() for name in names if is_litter(name)]
        found += [f"{(above / name).as_posix()}/" for name in folders if is_litter(name)]
        folders[:] = [name for name in folders if not is_litter(name)]
    return sorted(found)


def is_litter(name: str) -> bool:
    """Return whether a file or folder of this name is no part of a session."""
    return name.startswith(".") or name.lower() in LITTER or name in STORE


def with_takes(folder: Path, paths: Iterable[str]) -> tuple[list[Content], str | None]:
    """Return each file with the take and microphone in its name, and why there are none, where there are none."""
    try:
        session = read_session(folder)
    except (TriageError, OSError) as error:
        return [Content(path) for path in paths], f"takes cannot be determined: {error}"
    takes = [row.take for row in read_sheet(folder / SHEET_FILE, session.middle_c_octave).rows]
    names = NamePattern(session.files.name, session.mic_names, takes)
    return [_with_take(path, session, names) for path in paths], None


def contents_text(contents: Iterable[Content]) -> str:
    """Return contents.csv."""
    text = io.StringIO()
    # All text in quotes: a carriage return in a name would else go out bare and end the row.
    writer = csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(COLUMNS)
    writer.writerows((_quoted(one.path), one.size_bytes, _quoted(one.take), _quoted(one.mic)) for one in contents)
    return text.getvalue()


def read_contents(path: Path) -> dict[str, Content]:
    """Return what a bag's contents.csv lists, by path; nothing without one, AudioError if it cannot be read."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise AudioError(f"{path}: {path.stat().st_size} bytes, far too many for a list; sizes are not known")
        with path.open(newline="", encoding="utf-8") as lines:
            rows = list(csv.DictReader(lines))
            texts = [[_unquoted(row[name]) for name in ("path", "take", "mic")] for row in rows]
            return {
                path: Content(path, int(row["size_bytes"]), take or None, mic or None)
                for row, (path, take, mic) in zip(rows, texts, strict=True)
            }
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, csv.Error) as error:
        raise AudioError(f"{path}: not readable as {CONTENTS_FILE} ({error}); sizes are not known") from None


def _quoted(text: str | None) -> str:
    """Return text that no spreadsheet takes for a formula; what begins with the mark itself gets one more."""
    return f"'{text}" if text and text[0] in MARKED else text or ""


def _unquoted(text: str) -> str:
    return text[1:] if text[:1] == "'" and text[1:2] in MARKED else text


def _unfit(path: Path, relative: str) -> str | None:
    try:
        relative.encode()
    except UnicodeEncodeError:
        return "its name is not UTF-8, rename it"
    try:
        mode = path.stat().st_mode
    except OSError as error:
        return f"cannot be read ({error.strerror})"
    if stat.S_ISDIR(mode):
        return "a link to a folder, put the files themselves here"
    return None if stat.S_ISREG(mode) else "not a file"


def _with_take(path: str, session: SessionDescription, names: NamePattern) -> Content:
    audio = PurePosixPath(session.files.folder)
    pure = PurePosixPath(path)
    if path in (SESSION_FILE, SHEET_FILE) or not pure.is_relative_to(audio):
        return Content(path)
    fields = names.match(pure.relative_to(audio).as_posix())
    return Content(path, take=fields.get("take"), mic=fields.get("mic")) if fields else Content(path)
