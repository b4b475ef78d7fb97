"""Manifests of BagIt bags (RFC 8493): which files a bag announces, with which checksums, and how paths stand in them.

In: paths, posix, relative to the bag, and checksums in hexadecimal. Out: lines of a manifest, and manifests of any
version and maker read back. They are read here and not by bagit because a bag may come from a stranger: a huge file
is refused unread, one bad line does not hide the others, and names with percent signs or unusual line separators,
which the RFC allows and bagit 1.9 misreads, stay whole. A path that leads out of the bag is refused unopened.
"""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from triage.domain.errors import AudioError

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
DECLARATION_FILE = "bagit.txt"
PAYLOAD = "data"
ALGORITHM = "sha256"
MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt")
# RFC 8493, 2.1.3: these three, and only these, are percent-encoded in a path.
ENCODED = {"%": "%25", "\r": "%0D", "\n": "%0A"}
DECODED = {code.lower(): letter for letter, code in ENCODED.items()}
LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)")
LONGEST_TAG_FILE = 256 * 1024 * 1024  # a manifest of a million files; a damaged one must not fill the memory
SHOWN = 80  # characters of a stranger's text in a message


@dataclass(frozen=True)
class Manifests:
    """Every manifest of a bag: file -> algorithm -> checksum, lower case; lines that could not be read."""

    payload: dict[str, dict[str, str]]  # paths with "data/" in front
    tags: dict[str, dict[str, str]]
    problems: tuple[str, ...]


def encode_path(path: str) -> str:
    """Return a path as it stands in a manifest."""
    return "".join(ENCODED.get(letter, letter) for letter in path)


def decode_path(text: str) -> str:
    """Return the path that stands in a manifest; other percent signs are left as they are."""
    # Older makers wrote percent signs plain.
    return re.sub("%(25|0[AaDd])", lambda match: DECODED[match[0].lower()], text)


def safe_path(path: str) -> str:
    """Return a decoded path, normalised, if it stays inside the bag (RFC 8493, 5.1); else raise AudioError."""
    pure = PurePosixPath(path)
    # Backslashes separate on Windows; read there, such a path would climb too.
    parts = re.split(r"[/\\]", path)
    if pure.is_absolute() or ".." in parts or "\0" in path or path[:1] in "~\\" or re.match("[A-Za-z]:", path):
        raise AudioError(f"path {path!r} in a manifest leads out of the bag; nothing of it is read, ask the sender")
    return pure.as_posix()


def manifest_text(checksums: Mapping[str, str]) -> str:
    """Return a manifest of path -> checksum: one line a file, in order of path."""
    return "".join(f"{checksums[path]}  {encode_path(path)}\n" for path in sorted(checksums))


def read_declaration(bag: Path) -> str:
    """Return the character encoding that bagit.txt declares; AudioError if it is missing or names no version."""
    text = _text(bag / DECLARATION_FILE, "utf-8-sig")
    tags = re.findall(r"^([^:\n]+?)[ \t]*:[ \t]*(.*?)[ \t\r]*$", text, re.MULTILINE)
    found = {label.lower(): value for label, value in tags}  # the RFC's own example writes "BagIt-version"
    if not re.fullmatch(r"[0-9]+\.[0-9]+", found.get("bagit-version", "")):
        raise AudioError(f"{bag / DECLARATION_FILE}: no BagIt-Version in it; copy the bag again from the sender")
    return found.get("tag-file-character-encoding", "UTF-8")


def read_manifests(bag: Path, encoding: str = "UTF-8") -> Manifests:
    """Return everything that a bag's manifests announce; AudioError if there is none, or one cannot be read.

    A line that is none, a path that leads out of the bag or a payload path outside of data/ is a problem, and only
    that line is left out.
    """
    found = Manifests({}, {}, ())
    problems: list[str] = []
    named = sorted((path.name, match) for path in bag.iterdir() if (match := MANIFEST.fullmatch(path.name)))
    for name, match in named:
        entries = found.tags if match[1] else found.payload
        for number, line in enumerate(re.split("\r\n|\n|\r", _text(bag / name, encoding)), 1):
            try:
                if entry := _entry(line, is_tag=bool(match[1])):
                    entries.setdefault(entry[0], {})[match[2]] = entry[1]
            except AudioError as error:
                problems.append(f"{name} line {number}: {error}")
    if all(match[1] for _, match in named):
        raise AudioError(f"{bag}: no manifest-….txt yet; it is still coming, or this is no bag")
    return Manifests(found.payload, found.tags, tuple(problems))


def known_algorithms(names: Iterable[str]) -> list[str]:
    """Return those checksum algorithms that can be computed here, sorted."""
    return sorted({name for name in names if name in hashlib.algorithms_available})


def folded(path: str) -> str:
    """Return a path in NFC, for file systems that change the normal form (RFC 8493, 6.1.1)."""
    return unicodedata.normalize("NFC", path)


def _entry(line: str, is_tag: bool) -> tuple[str, str] | None:
    if not line.strip():
        return None
    match = LINE.fullmatch(line.strip("\r\n"))
    if match is None:
        raise AudioError("no checksum and path in it; is the file whole?")
    path = safe_path(decode_path(match[2]))
    if not is_tag and not path.startswith(f"{PAYLOAD}/"):
        raise AudioError(f"path {path!r} is not in {PAYLOAD}/, where a bag's payload lies")
    return path, match[1].lower()


def _text(path: Path, encoding: str) -> str:
    try:
        if (size := path.stat().st_size) > LONGEST_TAG_FILE:
            raise AudioError(f"{path}: {size} bytes, far too many for a tag file; is it damaged?")
        return path.read_bytes().decode(encoding)
    except OSError as error:
        raise AudioError(f"{path}: cannot be read ({error.strerror}); is the bag still coming?") from None
    # ValueError is UnicodeError too, and what Python says of a NUL in an encoding's name.
    except (ValueError, LookupError) as error:
        named, why = encoding[:SHOWN], " ".join(str(error)[:SHOWN].split())
        raise AudioError(f"{path}: not text in {named} ({why}); copy it again from the sender") from None
