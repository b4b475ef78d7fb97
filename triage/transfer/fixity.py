"""Checksums of files, remembered by size and time, so that a second check reads only what changed.

The cache is a text file beside the checked folder, one JSON object a line, only ever appended to: after an
interruption nothing is read twice. To it a copy is another file (size, time and inode count), so a cache that travels
along vouches for nothing.
"""

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from triage.domain.errors import AudioError

BLOCK_BYTES = 4 * 1024 * 1024
# File systems count time in steps of up to 2 s: a file changed that shortly before it was read may change unseen.
UNSURE_NS = 2_000_000_000
Progress = Callable[[int], None]  # bytes read since the last call


@dataclass(frozen=True)
class FileState:
    """What shows without reading that a file has not changed."""

    size: int
    mtime_ns: int
    inode: int

    @classmethod
    def of(cls, path: Path) -> "FileState":
        """Return the state of a file; OSError if it is not there."""
        status = path.stat()
        return cls(status.st_size, status.st_mtime_ns, status.st_ino)


@dataclass
class ChecksumCache:
    """Checksums by path, and the sizes that were last seen; ``path`` is where they are kept, None for nowhere."""

    path: Path | None
    sums: dict[str, tuple[FileState, dict[str, str]]] = field(default_factory=dict)
    seen: dict[str, tuple[int, float]] = field(default_factory=dict)
    problem: str | None = None

    def known(self, name: str, state: FileState, algorithms: Iterable[str]) -> dict[str, str] | None:
        """Return the checksums of a file that has not changed, or None where it must be read."""
        then, sums = self.sums.get(name, (None, {}))
        wanted = set(algorithms)
        return {key: sums[key] for key in wanted} if then == state and wanted <= sums.keys() else None

    def keep(self, name: str, state: FileState, sums: dict[str, str]) -> None:
        """Remember checksums, unless the file changed so lately that its time could not show another change."""
        if time.time_ns() - state.mtime_ns > UNSURE_NS:
            self.sums[name] = (state, sums)
            self._append({"name": name, **asdict(state), "sums": sums})

    def last_size(self, name: str, size_bytes: int, now_s: float) -> tuple[int, float] | None:
        """Return the size seen before and since when it has been so, and note the present one."""
        before = self.seen.get(name)
        if before is None or before[0] != size_bytes:
            self.seen[name] = (size_bytes, now_s)
            self._append({"name": name, "seen": size_bytes, "at": now_s})
        return before

    def recall(self, line: str) -> None:
        """Take in a line of the file; ValueError, TypeError, KeyError or AttributeError where it is none."""
        entry = json.loads(line)
        name = str(entry["name"])
        if "seen" in entry:
            self.seen[name] = (int(entry["seen"]), float(entry["at"]))
        else:
            sums = {str(key): str(value) for key, value in entry["sums"].items()}
            self.sums[name] = (FileState(*(int(entry[key]) for key in ("size", "mtime_ns", "inode"))), sums)

    def _append(self, line: dict[str, object]) -> None:
        if self.path is None:
            return
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        except OSError as error:
            self.problem = f"{self.path}: cannot be written ({error.strerror}); the next check reads everything again"
            self.path = None


def open_cache(folder: Path) -> ChecksumCache:
    """Return what is remembered of a folder's files in NAME.hashes.jsonl beside it.

    Lines that cannot be read (the last of an interrupted check) are passed over.
    """
    folder = folder.resolve()
    path = folder.parent / f"{folder.name}.hashes.jsonl"
    cache = ChecksumCache(path)
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return cache
    except OSError as error:
        cache.problem = f"{path}: cannot be read ({error.strerror}); every file is read again"
        return cache
    for line in lines:
        try:
            cache.recall(line)
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError):
            continue
    return cache


def checksums(
    path: Path, name: str, algorithms: Iterable[str], cache: ChecksumCache, progress: Progress | None = None
) -> tuple[dict[str, str], bool]:
    """Return a file's checksums (algorithm -> lower-case hexadecimal), and whether it was read for them.

    ``name`` is what the cache calls it, ``progress`` is given the number of bytes done, block by block. OSError if it
    cannot be read, AudioError if it changed while it was read.
    """
    report, wanted, before = progress or (lambda _: None), sorted(algorithms), FileState.of(path)
    known = cache.known(name, before, wanted)
    if known is not None:
        report(before.size)
        return known, False
    digests = {algorithm: hashlib.new(algorithm, usedforsecurity=False) for algorithm in wanted}
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            for digest in digests.values():
                digest.update(block)
            report(len(block))
        after = os.fstat(file.fileno())
    if (after.st_size, after.st_mtime_ns) != (before.size, before.mtime_ns):
        raise AudioError(f"{name}: changed while it was read; wait until it is written, then do this again")
    sums = {algorithm: digest.hexdigest() for algorithm, digest in digests.items()}
    cache.keep(name, before, sums)
    return sums, True
