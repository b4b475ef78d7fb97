"""Files that are still coming in: which of a session's recordings are complete, and which are to be left alone.

In: the audio folder of a session, looked at again and again. Out: for each file whether it is whole, by the facts of
``integrity.py``. A recorder or a copy writes for minutes: a file is whole once its size and its time have stood still
for a while and its header promises what it holds. One that stands still and does not agree is waited for longer, then
told as broken. Times are a steady clock's, in seconds; a file's own time is only compared with itself, since the
clock of a network share may be another.
"""

import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from triage.intake.audio_files import list_files
from triage.intake.integrity import FileFacts, check_file


@dataclass(frozen=True)
class Pace:
    """How long files are waited for, in seconds."""

    steady_s: float = 1.0  # a file's size and time stand still for so long: it may be whole
    patience_s: float = 20.0  # the same for one whose header disagrees: nobody will close it any more
    grace_s: float = 10.0  # after a take's last file: microphones that have not come are not waited for

    def __post_init__(self) -> None:
        if not 0 < self.steady_s <= self.patience_s or self.grace_s < 0:
            raise ValueError(f"{self}: expected 0 < steady_s <= patience_s and grace_s >= 0")


@dataclass
class _Seen:
    size_bytes: int
    mtime_ns: int
    since_s: float  # it has looked like that
    facts: FileFacts | None = None  # once whole, or broken for good


class Arriving:
    """Follows the files under a session's audio folder.

    Parameters
    ----------
    folder : Path
        The session's folder.
    audio : str
        The audio folder, relative to it.
    pace : Pace
    """

    def __init__(self, folder: Path, audio: str, pace: Pace):
        self.folder, self.audio, self.pace = Path(folder), audio, pace
        self._files: dict[str, _Seen] = {}  # by path relative to the session's folder
        self._now_s = 0.0

    def look(self, now_s: float, only: Iterable[str] | None = None) -> bool:
        """Look at the files again; return whether one has become whole, broken, or has gone.

        Parameters
        ----------
        now_s : float
            By a clock that only goes forward.
        only : iterable of str, optional
            Paths, relative to the session's folder, that may have changed; those that are still coming in are looked
            at as well. All where None.
        """
        self._now_s = now_s
        if only is None:
            listed = list_files(self.folder, self.audio).paths
            paths = {(PurePosixPath(self.audio) / path).as_posix() for path in listed}
            looked_at = paths | self._files.keys()
        else:
            looked_at = {*only, *(path for path, seen in self._files.items() if seen.facts is None)}
        return any([self._look_at(path) for path in sorted(looked_at)])

    def check(self, path: Path) -> FileFacts:
        """Return a file's facts as ``check_file`` does; of one that is still coming in, that as its problem."""
        seen = self._files.get(_relative(path, self.folder))
        return seen.facts if seen and seen.facts else FileFacts(Path(path), problem="still coming in", arriving=True)

    @property
    def waits(self) -> bool:
        """Whether a file is still coming in."""
        return any(seen.facts is None for seen in self._files.values())

    def since_s(self, path: str) -> float:
        """Return from when on a file has looked as it does; now, of one that was not seen."""
        seen = self._files.get(path)
        return self._now_s if seen is None else seen.since_s

    def _look_at(self, path: str) -> bool:
        """Look at one file; return whether it is news."""
        before = self._files.get(path)
        try:
            status = (self.folder / path).stat()
        except OSError:  # gone, or its folder is away
            self._files.pop(path, None)
            return before is not None and before.facts is not None
        if not stat.S_ISREG(status.st_mode):
            return False
        if before is None or (before.size_bytes, before.mtime_ns) != (status.st_size, status.st_mtime_ns):
            self._files[path] = _Seen(status.st_size, status.st_mtime_ns, self._now_s)
            return False
        still_s = self._now_s - before.since_s
        if before.facts is None and still_s >= self.pace.steady_s:
            facts = check_file(self.folder / path)
            same = (facts.size_bytes, facts.mtime_ns) == (before.size_bytes, before.mtime_ns)
            if same and (facts.problem is None or still_s >= self.pace.patience_s):
                before.facts = facts
                return True
        return False


def _relative(path: Path, folder: Path) -> str:
    return Path(path).relative_to(folder).as_posix()
