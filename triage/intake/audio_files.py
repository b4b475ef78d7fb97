"""The files of the audio folder: what is to be looked at, and what is there but is no file to look at.

In: the session's folder and the audio folder's name inside it. Out: sorted posix paths relative to the audio
folder. What operating systems leave behind (hidden files, thumbnails) is passed over without a word.
"""

import os
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from triage.intake.session import SESSION_FILE
from triage.intake.sheet import SHEET_FILE

# Left behind by file browsers; all compared in lower case, hidden names (".x", "._x") apart.
LITTER = ("thumbs.db", "desktop.ini", "icon\r", "__macosx")


@dataclass(frozen=True)
class Listing:
    """Paths relative to the audio folder; `unreadable` names cannot be used, each has a line in `problems`."""

    paths: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


def list_files(folder: Path, audio: str) -> Listing:
    """Return every file under a session's audio folder, which is named relative to the session's.

    Sorted. A folder that is missing or cannot be read is a problem line, never an error.
    """
    top = Path(folder) / audio
    if not top.is_dir():
        return Listing(
            problems=(f"{audio}: no such folder in {folder}; put the recordings there, or correct files.folder",)
        )
    paths: list[str] = []
    unreadable: list[str] = []
    problems: list[str] = []
    for where, folders, names in os.walk(top, onerror=lambda error: problems.append(_unread(error))):
        folders[:] = [name for name in folders if not _is_litter(name)]
        # Links to folders are not entered: one that leads upwards would never end.
        links = [name for name in folders if os.path.islink(os.path.join(where, name))]
        for name in (*names, *links):
            relative = (Path(where) / name).relative_to(top).as_posix()
            if _is_litter(name) or (Path(where) == Path(folder) and name in (SESSION_FILE, SHEET_FILE)):
                continue
            if name in links:
                problems.append(f"{relative}: a link to a folder, not entered; put the files themselves here")
            elif any(map(_is_awkward, relative)):
                problems.append(f"{_printable(relative)}: its name is not plain text in UTF-8; rename it")
            else:
                paths.append(relative)
                continue
            unreadable.append(_printable(relative))
    return Listing(tuple(sorted(paths)), tuple(sorted(unreadable)), tuple(sorted(problems)))


def _is_litter(name: str) -> bool:
    return name.startswith(".") or name.lower() in LITTER


def _is_awkward(letter: str) -> bool:
    # Line breaks spoil a list; bytes that are no UTF-8 come as lone surrogates, which no database takes.
    return unicodedata.category(letter) in ("Cc", "Cs")


def _printable(name: str) -> str:
    return "".join(ascii(letter)[1:-1] if _is_awkward(letter) else letter for letter in name)


def _unread(error: OSError) -> str:
    return f"{error.filename}: cannot be read ({error.strerror}); check its permissions"
