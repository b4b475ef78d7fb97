"""Fixity: checksums of files, remembered by size and time, so that a second check reads only what changed.

In: files. Out: checksums in hexadecimal. The memory is a text file beside the checked folder, one JSON object a line,
only ever appended to: whatever breaks off, what was read before is not read again. To it a copy is another file
(size, time and inode count), so a memory that travels along vouches for nothing.
"""

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from triage.domain.errors import AudioError

BLOCK_BYTES = 4 * 1024 * 1024
# File systems count time in steps of up to 2 s: a file changed that shortly before it was read may change unseen.
UNSURE_NS = 2_000_000_000
Told = Callable[[int], None]  # bytes read since the last call


@dataclass(frozen=True)
class Looks:
    """What a file looks like without reading it."""

    size_bytes: int
    mtime_ns: int
    inode: int


@dataclass
class Memory:
    """Checksums by path, and the sizes that were last seen; ``path`` is where they are kept, None for nowhere."""

    path: Path | None
    sums: dict[str, tuple[Looks, dict[str, str]]] = field(default_factory=dict)
    seen: dict[str, tuple[int, float]] = field(default_factory=dict)
    problem: str | None = None

    def known(self, name: str, looks: Looks, algorithms: Iterable[str]) -> dict[str, str] | None:
        """Return the checksums of a file that has not changed, or None where it must be read."""
        then, sums = self.sums.get(name, (None, {}))
        wanted = set(algorithms)
        return {key: sums[key] for key in wanted} if then == looks and wanted <= sums.keys() else None

    def keep(self, name: str, looks: Looks, sums: dict[str, str]) -> None:
        """Remember checksums, unless the file changed so lately that its time could not show another change."""
        if time.time_ns() - looks.mtime_ns > UNSURE_NS:
            self.sums[name] = (looks, sums)
            self._append(
                {
                    "name": name,
                    "size": looks.size_bytes,
                    "mtime_ns": looks.mtime_ns,
                    "inode": looks.inode,
                    "sums": sums,
                }
            )

    def last_size(self, name: str, size_bytes: int, now_s: float) -> tuple[int, float] | None:
        """Return the size seen before and since when it has been so, and note the present one."""
        before = self.seen.get(name)
        if before is None or before[0] != size_bytes:
            self.seen[name] = (size_bytes, now_s)
            self._append({"name": name, "seen": size_bytes, "at": now_s})
        return before

    def _append(self, line: dict[str, object]) -> None:
        if self.path is None:
            return
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        except OSError as error:
            self.problem = f"{self.path}: cannot be written ({error.strerror}); the next check reads everything again"
            self.path = None


def open_memory(folder: Path) -> Memory:
    """Return what is remembered of a folder's files.

    Parameters
    ----------
    folder : Path
        The checked folder; its memory lies beside it as NAME.hashes.jsonl.

    Returns
    -------
    Memory
        Lines that cannot be read (the last of an interrupted check) are passed over.
    """
    folder = folder.resolve()
    memory = Memory(folder.parent / f"{folder.name}.hashes.jsonl")
    assert memory.path is not None
    try:
        lines = memory.path.read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return memory
    except OSError as error:
        memory.problem = f"{memory.path}: cannot be read ({error.strerror}); every file is read again"
        return memory
    for line in lines:
        try:
            _recall(memory, json.loads(line))
        except (ValueError, TypeError, KeyError, AttributeError):
            continue
    return memory


def looks_of(path: Path) -> Looks:
    """Return what a file looks like from outside.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Looks

    Raises
    ------
    OSError
        If it is not there.
    """
    status = path.stat()
    return Looks(status.st_size, status.st_mtime_ns, status.st_ino)


def checksums(
    path: Path, name: str, algorithms: Iterable[str], memory: Memory, tell: Told | None = None
) -> tuple[dict[str, str], bool]:
    """Return the checksums of a file, read or remembered.

    Parameters
    ----------
    path : Path
        Opened for reading only.
    name : str
        What the memory calls it.
    algorithms : iterable of str
        Known to hashlib.
    memory : Memory
    tell : callable, optional
        Told the number of bytes done, block by block.

    Returns
    -------
    sums : dict of str to str
        Algorithm to lower-case hexadecimal.
    read : bool
        False where it was remembered.

    Raises
    ------
    OSError
        If it cannot be read.
    AudioError
        If it changed while it was read.

    References
    ----------
    FIPS 180-4 (SHA-256), by hashlib.
    """
    told, wanted, before = tell or (lambda _: None), sorted(algorithms), looks_of(path)
    known = memory.known(name, before, wanted)
    if known is not None:
        told(before.size_bytes)
        return known, False
    digests = {algorithm: hashlib.new(algorithm, usedforsecurity=False) for algorithm in wanted}
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            for digest in digests.values():
                digest.update(block)
            told(len(block))
        after = os.fstat(file.fileno())
    if (after.st_size, after.st_mtime_ns) != (before.size_bytes, before.mtime_ns):
        raise AudioError(f"{name}: changed while it was read; wait until it is written, then do this again")
    sums = {algorithm: digest.hexdigest() for algorithm, digest in digests.items()}
    memory.keep(name, before, sums)
    return sums, True


def _recall(memory: Memory, line: dict[str, object]) -> None:
    name = str(line["name"])
    if "seen" in line:
        memory.seen[name] = (int(str(line["seen"])), float(str(line["at"])))
        return
    sums = line["sums"]
    if not isinstance(sums, dict):
        raise ValueError("no checksums")
    looks = Looks(int(str(line["size"])), int(str(line["mtime_ns"])), int(str(line["inode"])))
    memory.sums[name] = (looks, {str(key): str(value) for key, value in sums.items()})
