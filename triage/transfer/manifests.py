"""BagIt bags: the small text files that say what a folder holds and how to check it (RFC 8493, version 1.0).

In: paths, posix, relative to the bag, and checksums in hexadecimal. Out: lines of manifests and tag files, and the
same read back from bags of any version and maker. Nothing here reads or writes a recording. A path that leads out of
the bag is refused before anything is opened.
"""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from triage.domain.errors import AudioError

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
DECLARATION_FILE, INFO_FILE = "bagit.txt", "bag-info.txt"
PAYLOAD = "data"
ALGORITHM = "sha256"
MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt")
# RFC 8493, 2.1.3: these three, and only these, are percent-encoded in a path.
ENCODED = {"%": "%25", "\r": "%0D", "\n": "%0A"}
LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)")
LONGEST_TAG_FILE = 256 * 1024 * 1024  # a manifest of a million files; a damaged one must not fill the memory
NAME_SHOWN = 80  # characters of a stranger's words in a line


@dataclass(frozen=True)
class Manifests:
    """Every manifest of a bag: file -> algorithm -> checksum, lower case; lines that could not be read."""

    payload: dict[str, dict[str, str]]
    tags: dict[str, dict[str, str]]
    files: tuple[str, ...]
    problems: tuple[str, ...]


def encode_path(path: str) -> str:
    """Return a path as it stands in a manifest.

    Parameters
    ----------
    path : str
        Posix, relative to the bag.

    Returns
    -------
    str
        Line feed, carriage return and percent sign encoded, all else as it is.

    References
    ----------
    RFC 8493, section 2.1.3.
    """
    return "".join(ENCODED.get(letter, letter) for letter in path)


def decode_path(text: str) -> str:
    """Return the path that stands in a manifest; other percent signs are left alone, older makers wrote them plain.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    found = {code.lower(): letter for letter, code in ENCODED.items()}
    return re.sub("%(25|0[AaDd])", lambda match: found[match[0].lower()], text)


def safe_path(path: str) -> str:
    """Return a manifest's path, normalised, if it stays inside the bag.

    Parameters
    ----------
    path : str
        Decoded.

    Returns
    -------
    str
        Posix, without "." parts.

    Raises
    ------
    AudioError
        If it is absolute, climbs with "..", starts at a home folder or a drive, or holds a NUL.

    References
    ----------
    RFC 8493, section 5.1 (special directory characters).
    """
    pure = PurePosixPath(path)
    # Backslashes separate on Windows; read there, such a path would climb too.
    parts = re.split(r"[/\\]", path)
    if pure.is_absolute() or ".." in parts or "\0" in path or path[:1] in "~\\" or re.match("[A-Za-z]:", path):
        raise AudioError(f"path {path!r} in a manifest leads out of the bag; nothing of it is read, ask the sender")
    return pure.as_posix()


def manifest_text(checksums: Mapping[str, str]) -> str:
    """Return a manifest.

    Parameters
    ----------
    checksums : mapping of str to str
        Path, relative to the bag, to checksum.

    Returns
    -------
    str
        One line a file, in order of path.
    """
    return "".join(f"{checksums[path]}  {encode_path(path)}\n" for path in sorted(checksums))


def info_text(tags: Iterable[tuple[str, str]]) -> str:
    """Return bag-info.txt.

    Parameters
    ----------
    tags : iterable of (label, value)
        Values are put on one line.

    Returns
    -------
    str
    """
    return "".join(f"{label}: {' '.join(value.split())}\n" for label, value in tags)


def read_declaration(bag: Path) -> tuple[str, str]:
    """Return the version and the character encoding that bagit.txt declares.

    Parameters
    ----------
    bag : Path

    Returns
    -------
    tuple of str

    Raises
    ------
    AudioError
        If there is no such file, or it does not say both.
    """
    text = _text(bag / DECLARATION_FILE, "utf-8-sig")
    tags = dict(re.findall(r"^([^:\n]+?)[ \t]*:[ \t]*(.*?)[ \t\r]*$", text, re.MULTILINE))
    # The RFC's own example writes "BagIt-version".
    found = {label.lower(): value for label, value in tags.items()}
    version, encoding = found.get("bagit-version", ""), found.get("tag-file-character-encoding", "UTF-8")
    if not re.fullmatch(r"[0-9]+\.[0-9]+", version):
        raise AudioError(f"{bag / DECLARATION_FILE}: no BagIt-Version in it; copy the bag again from the sender")
    return version, encoding


def read_manifests(bag: Path, encoding: str = "UTF-8") -> Manifests:
    """Return everything that a bag's manifests announce.

    Parameters
    ----------
    bag : Path
    encoding : str
        As bagit.txt declares.

    Returns
    -------
    Manifests
        Paths decoded, with "data/" in front for the payload. A line that is none, a path that leads out of the bag
        or a payload path outside of data/ is a problem, and only that line is left out.

    Raises
    ------
    AudioError
        If there is no payload manifest, or one cannot be read.
    """
    payload: dict[str, dict[str, str]] = {}
    tags: dict[str, dict[str, str]] = {}
    problems: list[str] = []
    named = sorted((path.name, match) for path in bag.iterdir() if (match := MANIFEST.fullmatch(path.name)))
    for name, match in named:
        into = tags if match[1] else payload
        for number, line in enumerate(re.split("\r\n|\n|\r", _text(bag / name, encoding)), 1):
            try:
                if entry := _entry(line, bool(match[1])):
                    into.setdefault(entry[0], {})[match[2]] = entry[1]
            except AudioError as error:
                problems.append(f"{name} line {number}: {error}")
    if not any(not match[1] for _, match in named):
        raise AudioError(f"{bag}: no manifest-….txt yet; it is still coming, or this is no bag")
    return Manifests(payload, tags, tuple(name for name, _ in named), tuple(problems))


def known_algorithms(names: Iterable[str]) -> list[str]:
    """Return those checksum algorithms that can be computed here.

    Parameters
    ----------
    names : iterable of str
        As in file names of manifests: "sha256", "sha512", "md5".

    Returns
    -------
    list of str
        Sorted.
    """
    return sorted({name for name in names if name in hashlib.algorithms_available})


def folded(path: str) -> str:
    """Return a path in one normal form of Unicode, for file systems that change it.

    Parameters
    ----------
    path : str

    Returns
    -------
    str
        NFC.

    References
    ----------
    RFC 8493, section 6.1.1 (filename normalization).
    """
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
        if path.stat().st_size > LONGEST_TAG_FILE:
            raise AudioError(f"{path}: {path.stat().st_size} bytes, far too many for a tag file; is it damaged?")
        return path.read_bytes().decode(encoding)
    except OSError as error:
        raise AudioError(f"{path}: cannot be read ({error.strerror}); is the bag still coming?") from None
    # ValueError is UnicodeError too, and what Python says of a NUL in an encoding's name.
    except (ValueError, LookupError) as error:
        named, why = encoding[:NAME_SHOWN], " ".join(str(error)[:NAME_SHOWN].split())
        raise AudioError(f"{path}: not text in {named} ({why}); copy it again from the sender") from None
