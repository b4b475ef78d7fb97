"""Files that are still being written: which recordings of a session are complete, and which are to be left alone.

A recorder or a copy writes for minutes: a file is complete once its size and its time have not changed for a while
and its header agrees with its length. One that no longer changes and does not agree is waited for longer, then
reported as broken. Times are a monotonic clock's, in seconds; a file's own time is only compared with itself,
since the clock of a network share may differ.
"""

import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from triage.intake.audio_files import list_files
from triage.intake.integrity import FileFacts, check_file


@dataclass(frozen=True)
class WaitingTimes:
    """How long files are waited for, in seconds."""

    steady_s: float = 1.0  # without a change of size and time until a file may be complete
    patience_s: float = 20.0  # the same where the header disagrees: nobody will close it any more
    grace_s: float = 10.0  # after a take's last file until its other microphones are given up

    def __post_init__(self) -> None:
        if not 0 < self.steady_s <= self.patience_s or self.grace_s < 0:
            raise ValueError(f"{self}: expected 0 < steady_s <= patience_s and grace_s >= 0")


@dataclass
class _Seen:
    size_bytes: int
    mtime_ns: int
    since_s: float  # when it last changed
    facts: FileFacts | None = None  # once complete, or broken for good


class ArrivingFiles:
    """Follows the files under a session's audio folder.

    Parameters
    ----------
    folder : Path
        The session's folder.
    audio : str
        The audio folder, relative to it.
    waiting : WaitingTimes
    """

    def __init__(self, folder: Path, audio: str, waiting: WaitingTimes):
        self.folder, self.audio, self.waiting = Path(folder), audio, waiting
        self._files: dict[str, _Seen] = {}  # by path relative to the session's folder
        self._now_s = 0.0

    def look(self, now_s: float, only: Iterable[str] | None = None) -> bool:
        """Look at the files again; return whether one is now complete, broken or gone.

        Parameters
        ----------
        now_s : float
            By a clock that only goes forward.
        only : iterable of str, optional
            Paths, relative to the session's folder, that may have changed; those that are still
            being written are looked at as well. All where None.
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
        """Return a file's facts as ``check_file`` does; one that is still being written is marked as arriving."""
        seen = self._files.get(_relative(path, self.folder))
        return seen.facts if seen and seen.facts else FileFacts(Path(path), problem="still coming in", arriving=True)

    def since_s(self, path: str) -> float:
        """Return when a file last changed; now, of one that was not seen."""
        seen = self._files.get(path)
        return self._now_s if seen is None else seen.since_s

    def _look_at(self, path: str) -> bool:
        """Look at one file; return whether its state changed."""
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
        unchanged_s = self._now_s - before.since_s
        if before.facts is None and unchanged_s >= self.waiting.steady_s:
            facts = check_file(self.folder / path)
            same = (facts.size_bytes, facts.mtime_ns) == (before.size_bytes, before.mtime_ns)
            if same and (facts.problem is None or unchanged_s >= self.waiting.patience_s):
                before.facts = facts
                return True
        return False


def _relative(path: Path, folder: Path) -> str:
    return Path(path).relative_to(folder).as_posix()
