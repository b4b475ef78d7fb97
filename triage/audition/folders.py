"""Where the recordings of a session lie on this machine."""

from collections.abc import Sequence
from pathlib import Path

from triage.domain.errors import AudioError

PAYLOAD = "data"  # of a bag, RFC 8493


def session_folder(stored: str, roots: Sequence[Path] = ()) -> Path:
    """Return where a session's recordings lie here: under one of ``roots``, else where they were taken in."""
    name = Path(stored).name if Path(stored).name != PAYLOAD else Path(stored).parent.name
    for root in roots:
        # A session that came as a bag lies in the bag's payload, whichever of the two was taken in.
        for folder in (root / name / PAYLOAD, root / f"{name}-bag" / PAYLOAD, root / name):
            if folder.is_dir():
                return folder
    if Path(stored).is_dir():
        return Path(stored)
    raise AudioError(
        f"{stored}: the session's folder is not on this machine; start the desk with --recordings FOLDER, "
        f"the folder that holds {name}"
    )
