"""Receiving: what a hand-over brought, file by file and take by take, against the manifests of its bag.

In: the bag, or the session's folder with its bag beside it. Out: every file announced as whole, coming or damaged,
every other as unannounced. Whole files are remembered by size and time, so the next check reads only what is new.
"""

import os
import re
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import new
from pathlib import Path

from triage.domain.errors import AudioError
from triage.domain.text import one_line
from triage.transfer.contents import CONTENTS_FILE, Content, list_contents, read_contents, with_takes
from triage.transfer.fixity import ChecksumCache, checksums, open_cache
from triage.transfer.manifests import (
    DECLARATION_FILE,
    PAYLOAD,
    Manifests,
    folded,
    known_algorithms,
    read_declaration,
    read_manifests,
)

WHOLE, COMING, DAMAGED, UNANNOUNCED = "whole", "coming", "damaged", "unannounced"
STATES = (WHOLE, COMING, DAMAGED, UNANNOUNCED)
FRESH_S = 30.0  # written to so lately, a file may be whole in size and still be filled
STALLED_S = 600.0  # not grown for so long, a copy has broken off
MEGABYTE = 1_000_000
# Names that copying tools give a file until it is whole.
PARTIAL = re.compile(r"\.(.+)\.[A-Za-z0-9]{6}|\.?(.+?)\.(?:part|partial|filepart|tmp|download|crdownload)")
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Arrived:
    """One file: its state, size found and announced, and why it is not whole."""

    state: str
    path: str
    take: str | None = None
    mic: str | None = None
    size_bytes: int | None = None
    announced_bytes: int | None = None
    why: str | None = None


@dataclass(frozen=True)
class TakeArrived:
    """One take: the worst state of its files, and how many of them are whole."""

    take: str
    state: str
    files: int
    whole: int


@dataclass(frozen=True)
class Received:
    """Everything that was checked, the bag's own files first, and lines for a person."""

    folder: str
    bag: str
    files: tuple[Arrived, ...]
    takes: tuple[TakeArrived, ...]
    notes: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether all that was announced is whole and nothing else is there."""
        return bool(self.files) and all(file.state == WHOLE for file in self.files)

    def count(self) -> dict[str, int]:
        """Return how many files are in each state."""
        return {state: sum(file.state == state for file in self.files) for state in STATES}


@dataclass
class _Check:
    """What one check works with."""

    root: Path
    cache: ChecksumCache
    there: dict[str, str]  # path in one normal form -> path on disk, relative to root
    partial: dict[str, str]  # path announced -> file that a copying tool fills for it
    announced: dict[str, Content]
    now_s: float
    progress: Callable[[int], None]


def check_arrival(
    folder: Path, bag: Path | None = None, progress: Progress | None = None, again: bool = False
) -> Received:
    """Return what has arrived of a session; ``again`` reads every file anew."""
    folder, bag, root = _places(folder, bag)
    manifests = read_manifests(bag, read_declaration(bag))
    tags = _check_tag_files(bag, manifests)
    notes = list(manifests.problems)
    if any(file.state != WHOLE for file in tags if "manifest-" in file.path):
        notes.append("the list of files is not whole itself; files are checked once it is")
        return Received(str(folder), str(bag), tuple(tags), (), tuple(notes))
    check = _prepare(bag, root, manifests, progress, again, notes)
    files = [_check_file(check, path, sums) for path, sums in sorted(_payload(manifests).items())]
    files += _unannounced(check, {folded(path) for path in _payload(manifests)})
    if check.cache.problem:
        notes.append(check.cache.problem)
    return Received(str(folder), str(bag), (*tags, *files), tuple(_by_take(files)), tuple(notes))


def _places(folder: Path, bag: Path | None) -> tuple[Path, Path, Path]:
    """Return the folder named, the bag, and where the payload lies."""
    folder = folder.resolve()
    if bag is None and (folder / DECLARATION_FILE).is_file():
        beside = folder.with_name(folder.name.removesuffix("-bag"))
        alone = not (folder / PAYLOAD).is_dir() and beside != folder and beside.is_dir()
        return folder, folder, beside if alone else folder / PAYLOAD
    found = (bag or folder.with_name(f"{folder.name}-bag")).resolve()
    if not (found / DECLARATION_FILE).is_file():
        raise AudioError(f"{folder}: no {DECLARATION_FILE} in it nor in {found.name}; name the bag with --bag")
    return folder, found, folder


def _payload(manifests: Manifests) -> dict[str, dict[str, str]]:
    return {path.removeprefix(f"{PAYLOAD}/"): sums for path, sums in manifests.payload.items()}


def _check_tag_files(bag: Path, manifests: Manifests) -> list[Arrived]:
    files = []
    for path, sums in sorted(manifests.tags.items()):
        name = f"{bag.name}/{path}"
        try:
            if not (bag / path).resolve().is_relative_to(bag):
                files.append(Arrived(DAMAGED, name, why="a link that leads out of the bag; not read"))
                continue
            data = (bag / path).read_bytes()
        except OSError:
            files.append(Arrived(COMING, name, why="not there yet"))
            continue
        wrong = [a for a in known_algorithms(sums) if new(a, data, usedforsecurity=False).hexdigest() != sums[a]]
        why = "differs from what was announced; copy it again" if wrong else None
        files.append(Arrived(DAMAGED if wrong else WHOLE, name, size_bytes=len(data), why=why))
    return files


def _prepare(
    bag: Path, root: Path, manifests: Manifests, progress: Progress | None, again: bool, notes: list[str]
) -> _Check:
    """Look round before any file is read."""
    there, problems = list_contents(root) if root.is_dir() else ([], [])
    notes += problems
    algorithms = {algorithm for sums in manifests.payload.values() for algorithm in sums}
    if unknown := sorted(algorithms - set(known_algorithms(algorithms))):
        notes.append(f"checksums by {', '.join(unknown)} cannot be computed here; the others are checked")
    try:
        announced = read_contents(bag / CONTENTS_FILE)
    except AudioError as error:
        notes.append(str(error))
        announced = {}
    if not announced:
        found, problem = with_takes(root, _payload(manifests))
        announced = {one.path: one for one in found}
        notes += [problem] if problem else []
    cache = open_cache(root if root.name != PAYLOAD else bag)
    if again:
        cache.sums.clear()
    total, done = sum((root / path).stat().st_size for path in there), 0

    def count(n_bytes: int) -> None:
        nonlocal done
        done += n_bytes
        if progress:
            progress("reading (MB)", done // MEGABYTE, total // MEGABYTE)

    on_disk = {folded(path): path for path in there}
    return _Check(root, cache, on_disk, _partials(root), announced, time.time(), count)


def _check_file(check: _Check, path: str, sums: dict[str, str]) -> Arrived:
    expected = check.announced.get(path, Content(path))
    on_disk = check.there.get(folded(path))
    if on_disk is None and (check.root / path).is_file():
        on_disk = path  # of a kind that is passed over, but somebody announced it
    if on_disk is None:
        return _not_there(check, path, expected)
    file = check.root / on_disk
    try:
        # Whatever a link points to: nothing outside of what was received is read.
        if not file.resolve().is_relative_to(check.root.resolve()):
            return _arrived(
                DAMAGED, expected, None, "a link that leads out of the folder; not read, put the file here"
            )
        status = file.stat()
        short = _short(check, path, expected, status.st_size, status.st_mtime)
        if short:
            return short
        found, _ = checksums(file, path, known_algorithms(sums), check.cache, check.progress)
    except AudioError:
        return _arrived(COMING, expected, status.st_size, "being written to just now")
    except OSError as error:
        return _arrived(DAMAGED, expected, None, f"cannot be read ({error.strerror})")
    if not found:
        return _arrived(DAMAGED, expected, status.st_size, "its checksum is of a kind that cannot be computed here")
    if all(found[algorithm] == sums[algorithm] for algorithm in found):
        return _arrived(WHOLE, expected, status.st_size, None)
    ago_s = check.now_s - status.st_mtime
    if 0 <= ago_s < FRESH_S:
        return _arrived(COMING, expected, status.st_size, f"not as announced yet, written to {ago_s:.0f} s ago")
    return _arrived(DAMAGED, expected, status.st_size, "its content differs from what was announced; copy it again")


def _short(check: _Check, path: str, expected: Content, size: int, mtime_s: float) -> Arrived | None:
    """Return the state of a file that has not its announced size, or None where it has or none is known."""
    before = check.cache.last_size(path, size, check.now_s)
    if expected.size_bytes is None or size == expected.size_bytes:
        return None
    part = f"{size} of {expected.size_bytes} bytes"
    if size > expected.size_bytes:
        return _arrived(DAMAGED, expected, size, f"{part}: longer than announced; copy it again")
    if before is not None and before[0] < size:
        return _arrived(COMING, expected, size, f"{part}, growing")
    still_s = check.now_s - max(mtime_s, before[1] if before else check.now_s)
    if still_s >= STALLED_S:
        return _arrived(DAMAGED, expected, size, f"{part}, not grown for {still_s / 60:.0f} min; copy it again")
    return _arrived(COMING, expected, size, part)


def _not_there(check: _Check, path: str, expected: Content) -> Arrived:
    other = check.partial.get(path)
    if other is None:
        return _arrived(COMING, expected, None, "not there yet")
    size = (check.root / other).stat().st_size
    return _arrived(COMING, expected, size, f"being copied as {one_line(Path(other).name)}")


def _partials(root: Path) -> dict[str, str]:
    """Return the files that a copying tool is filling, by the path that each will have; hidden ones among them."""
    found: dict[str, str] = {}
    for where, _, names in os.walk(root):
        for name in sorted(names):
            if match := PARTIAL.fullmatch(name):
                folder = Path(where).relative_to(root)
                found[(folder / (match[1] or match[2])).as_posix()] = (folder / name).as_posix()
    return found


def _arrived(state: str, expected: Content, size: int | None, why: str | None) -> Arrived:
    return Arrived(state, expected.path, expected.take, expected.mic, size, expected.size_bytes, why)


def _unannounced(check: _Check, announced: set[str]) -> list[Arrived]:
    partial = {other for path, other in check.partial.items() if folded(path) in announced - check.there.keys()}
    why = "not on the list; ask the sender"
    return [
        Arrived(UNANNOUNCED, path, size_bytes=(check.root / path).stat().st_size, why=why)
        for key, path in sorted(check.there.items())
        if key not in announced and path not in partial
    ]


def _by_take(files: list[Arrived]) -> list[TakeArrived]:
    groups: dict[str, list[Arrived]] = defaultdict(list)
    for file in files:
        if file.take:
            groups[file.take].append(file)
    found = []
    for take, own in sorted(groups.items()):
        worst = max((file.state for file in own), key=STATES.index)
        found.append(TakeArrived(take, worst, len(own), sum(file.state == WHOLE for file in own)))
    return found
