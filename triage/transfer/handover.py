"""Hand-over: a session's folder becomes a BagIt bag that any receiver can check, with or without this tool.

The bag stands beside the folder. Its data/ holds hard links: the same files under a second name, so nothing is copied
and no recording is opened for writing. Asked so, it holds copies (for another disk), or nothing at all: then only the
manifests are written, and the bag becomes whole when the session's folder itself is put there as data/ (until then
RFC 8493 calls it incomplete); `triage receive` checks the folder against them where it stands.
"""

import contextlib
import logging
import os
import re
import shutil
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import bagit

from triage import __version__
from triage.domain.errors import AudioError
from triage.intake.arrivals import check_arrivals
from triage.intake.session import SESSION_FILE, read_session
from triage.intake.sheet import SHEET_FILE, read_sheet
from triage.transfer.contents import CONTENTS_FILE, Content, contents_text, list_contents, passed_over, with_takes
from triage.transfer.fixity import ChecksumCache, FileState, checksums, open_cache
from triage.transfer.manifests import ALGORITHM, DECLARATION, DECLARATION_FILE, PAYLOAD, manifest_text

LINKED, COPIED, NOT_IN_IT = "linked", "copied", "not in it"
MEGABYTE = 1_000_000
NAMED = 20  # files in one line
# bagit 1.9 leaves %25 as it is (RFC 8493, 2.1.3) and ends lines at more than LF and CR; such bags are right still.
MISREAD = re.compile("[%\v\f\x1c-\x1e\x85\u2028\u2029]")
bagit.LOGGER.addHandler(logging.NullHandler())  # what it finds reaches people as a note or an error, not by stderr
Progress = Callable[[str, int, int], None]  # what is being done, how many of it, out of how many


@dataclass(frozen=True)
class HandedOver:
    """What a hand-over wrote; ``hashed`` files were read now, the others were remembered.

    ``incomplete`` names the takes with missing or damaged files: the bag announces what is there.
    """

    bag: Path
    files: int
    size_bytes: int
    hashed: int
    left_out: int
    notes: tuple[str, ...]
    incomplete: tuple[str, ...] = ()


def write_bag(
    folder: Path, to: Path | None, how: str, progress: Progress | None = None, record: Mapping[str, str] | None = None
) -> HandedOver:
    """Write the bag of a session's folder; done again, it reads only what changed since.

    ``record``: path -> text of files that go with it, see ``session_record.record_texts``.
    """
    folder = folder.resolve()
    bag = (to or folder.parent / f"{folder.name}-bag").resolve()
    _check_places(folder, bag)
    cache = open_cache(folder)
    paths, problems = list_contents(folder)
    if not paths:
        raise AudioError(f"{folder}: no files in it; name the session's folder")
    contents, without_takes = with_takes(folder, paths)
    sums, contents, hashed, changed = _read_all(folder, contents, cache, progress)
    _check_payload(bag, folder, contents, how)
    if how != NOT_IN_IT:
        for one in contents:
            _put(folder / one.path, bag / PAYLOAD / one.path, how)
    size_bytes = sum(one.size_bytes or 0 for one in contents)
    tags = {
        "Bag-Software-Agent": f"take triage {__version__}",
        "Bagging-Date": date.today().isoformat(),
        "External-Identifier": folder.name,
        "Payload-Oxum": f"{size_bytes}.{len(contents)}",
    }
    if how == NOT_IN_IT:
        tags["Internal-Sender-Description"] = f"Payload not enclosed: the folder {folder.name} belongs here as data."
    _write_tag_files(bag, tags, sums, contents, record or {})
    left_out = [*problems, *changed]
    notes = [*left_out, *(line for line in (without_takes, cache.problem) if line)]
    notes += _no_take(folder, [] if without_takes else contents)
    if how != NOT_IN_IT:
        notes += _validate(bag, contents)
    incomplete = () if without_takes else tuple(_incomplete(folder))
    return HandedOver(bag, len(contents), size_bytes, hashed, len(left_out), tuple(notes), incomplete)


def _no_take(folder: Path, contents: Iterable[Content]) -> Iterator[str]:
    """Yield a line of the files that belong to no take, and one of those that stay here."""
    loose = [one.path for one in contents if one.take is None and one.path not in (SESSION_FILE, SHEET_FILE)]
    if loose:
        yield f"belong to no take, handed over all the same: {_named(loose)}"
    if over := passed_over(folder):
        yield f"no part of the session, not handed over: {_named(over)}"


def _named(paths: Sequence[str]) -> str:
    more = f" and {len(paths) - NAMED} more" if len(paths) > NAMED else ""
    return ", ".join(paths[:NAMED]) + more


def _incomplete(folder: Path) -> Iterator[str]:
    """Yield a line for each take with missing microphones, and for each file that is damaged."""
    session = read_session(folder)
    arrived = check_arrivals(folder, session, read_sheet(folder / SHEET_FILE, session.middle_c_octave)).arrivals
    missing: dict[str, list[str]] = defaultdict(list)
    for one in arrived.of_kind("missing"):
        missing[one.take or ""].append(one.mic or "")
    for take, mics in missing.items():
        yield f"take {take}: {'all of it' if len(mics) == len(session.mics) else ', '.join(mics)} missing"
    for one in arrived.of_kind("broken"):
        yield f"{one.path}: damaged, {one.why}"


def _check_places(folder: Path, bag: Path) -> None:
    if not folder.is_dir():
        raise AudioError(f"{folder}: no such folder; name the session's folder")
    if bag == folder or bag.is_relative_to(folder) or folder.is_relative_to(bag):
        raise AudioError(f"bag {bag} and session {folder} lie inside one another; name another bag with --to")
    if bag.exists() and not (bag / DECLARATION_FILE).is_file() and (not bag.is_dir() or any(bag.iterdir())):
        raise AudioError(f"{bag}: is there and is no bag; it stays, name another one with --to")


def _read_all(
    folder: Path, contents: list[Content], cache: ChecksumCache, progress: Progress | None
) -> tuple[dict[str, str], list[Content], int, list[str]]:
    """Return path -> checksum, the files with their sizes, how many were read, and lines about those that changed."""
    total = sum((folder / one.path).stat().st_size for one in contents)
    sums: dict[str, str] = {}
    sized, lines, hashed, done = [], [], 0, 0

    def count(n_bytes: int) -> None:
        nonlocal done
        done += n_bytes
        if progress:
            progress("reading (MB)", done // MEGABYTE, total // MEGABYTE)

    for one in contents:
        try:
            size_bytes = FileState.of(folder / one.path).size
            found, read = checksums(folder / one.path, one.path, [ALGORITHM], cache, count)
        except (AudioError, OSError) as error:
            lines.append(f"{error}; not handed over")
            continue
        sums[one.path], hashed = found[ALGORITHM], hashed + read
        sized.append(replace(one, size_bytes=size_bytes))
    return sums, sized, hashed, lines


def _check_payload(bag: Path, folder: Path, contents: list[Content], how: str) -> None:
    """Refuse a bag whose payload is of another day: nothing in it is ever replaced or removed."""
    data = bag / PAYLOAD
    if not data.is_dir():
        return
    known = {one.path: one.size_bytes for one in contents}
    for path in list_contents(data)[0]:
        if path not in known:
            raise AudioError(f"{data / path}: is not in the session any more; it stays, name a new bag with --to")
        if how == LINKED and not os.path.samefile(data / path, folder / path):
            raise AudioError(f"{data / path}: is another file than the session's; it stays, name a new bag with --to")
        if how == COPIED and (data / path).stat().st_size != known[path]:
            raise AudioError(f"{data / path}: differs from the session's; it stays, name a new bag with --to")


def _put(source: Path, target: Path, how: str) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists():
            return
        if how == LINKED:
            os.link(source.resolve(), target)
        else:
            # Under another name until it is whole: an interrupted copy is no payload.
            partial = target.with_name(f".{target.name}.part")
            shutil.copy2(source, partial)
            partial.replace(target)
    except OSError as error:
        remedy = "--copy, or --manifest-only" if how == LINKED else "another bag with --to"
        what = "linked" if how == LINKED else "copied"
        raise AudioError(f"{source}: cannot be {what} to {target} ({error.strerror}); ask for {remedy}") from None


def _write_tag_files(
    bag: Path, tags: dict[str, str], sums: dict[str, str], contents: list[Content], record: Mapping[str, str]
) -> None:
    """Write everything but the payload; the tag manifest last of all, so that a bag that broke off shows it."""
    texts = {
        DECLARATION_FILE: DECLARATION,
        CONTENTS_FILE: contents_text(contents),
        f"manifest-{ALGORITHM}.txt": manifest_text({f"{PAYLOAD}/{path}": value for path, value in sums.items()}),
        **record,
    }
    try:
        bag.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            partial = (bag / path).with_name(f".{Path(path).name}.part")
            partial.parent.mkdir(exist_ok=True)
            partial.write_bytes(text.encode())
            partial.replace(bag / path)
        with contextlib.chdir(bag):  # bagit goes there, and does not come back where it fails
            written = bagit.Bag(str(bag))
            written.info = tags
            written.save()
    except OSError as error:
        raise AudioError(f"{bag}: cannot be written to ({error.strerror}); name another bag with --to") from None
    except bagit.BagError as error:
        raise AudioError(f"{bag}: cannot be written to ({error}); name another bag with --to") from None


def _validate(bag: Path, contents: list[Content]) -> list[str]:
    """Let another implementation look over the bag: every file announced is there, and nothing else."""
    if unusual := next((one.path for one in contents if MISREAD.search(one.path)), None):
        return [f"{ascii(unusual)[1:-1]}: an odd name, valid by the standard; some validators will not find it"]
    try:
        bagit.Bag(str(bag)).validate(completeness_only=True)
    except bagit.BagError as error:
        raise AudioError(f"{bag}: the bag is not complete ({' '.join(str(error).split())}); do this again") from None
    return []
