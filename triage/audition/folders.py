"""Where the recordings of a session lie on this machine."""

from collections.abc import Sequence
from pathlib import Path

from triage.domain.errors import AudioError


def session_folder(stored: str, roots: Sequence[Path] = ()) -> Path:
    """Return where a session's recordings lie here: under one of ``roots``, else where they were taken in."""
    name = Path(stored).name
    for folder in (*(root / name for root in roots), Path(stored)):
        if folder.is_dir():
            return folder
    raise AudioError(
        f"{stored}: the session's folder is not on this machine; start the desk with --recordings FOLDER, "
        f"the folder that holds {name}"
    )
