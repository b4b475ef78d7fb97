"""Session folders that lie elsewhere: on an object store, or behind any protocol that fsspec supports.

``at_hand`` gives every session a folder of this machine. A local one is itself. Of one at an address (s3://BUCKET)
the description and the take sheet are copied, and every recording has an outline: a sparse file of the same size and
time with only its first and last bytes, where headers and chunks are, so that arrivals can be checked without moving
the audio. A worker that analyses a take downloads its files whole, once, and deletes them (``fetched``). FLAC is
downloaded whole for the outline too, since only its data shows whether it is complete.
"""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from triage.domain.errors import ConfigError
from triage.intake.arrivals import TakeFiles
from triage.intake.session import SESSION_FILE, read_session
from triage.intake.sheet import SHEET_FILE

HEAD_BYTES, TAIL_BYTES = 65_536, 262_144  # chunks in front of the samples, and behind them
WHOLE = (".flac",)


@dataclass(frozen=True)
class SessionFolder:
    """A session's folder: where it can be read here, and where it really is."""

    folder: Path
    address: str | None = None  # None: here


def is_remote(folder: str | Path) -> bool:
    """Return whether this is an address rather than a path."""
    return "://" in str(folder)


@contextmanager
def at_hand(folder: str | Path) -> Iterator[SessionFolder]:
    """Give a local view of a session's folder, wherever it is.

    Raises
    ------
    ConfigError
        If the address cannot be used, or holds no session.
    """
    if not is_remote(folder):
        yield SessionFolder(Path(folder))
        return
    address = str(folder).rstrip("/")
    with tempfile.TemporaryDirectory(prefix="triage-") as home:
        with _errors_in_one_line(address):
            _outline(address, Path(home))
        yield SessionFolder(Path(home), address)


@contextmanager
def fetched(take: TakeFiles, address: str) -> Iterator[tuple[TakeFiles, Path]]:
    """Give a take with its files whole, in a folder of this machine that is gone afterwards."""
    fs, root = _opened(address)
    with tempfile.TemporaryDirectory(prefix="triage-") as home:
        for path, facts in {track.path: track.facts for track in take.tracks}.items():
            (Path(home) / path).parent.mkdir(parents=True, exist_ok=True)
            fs.get_file(f"{root}/{path}", str(Path(home) / path))
            os.utime(Path(home) / path, ns=(facts.mtime_ns, facts.mtime_ns))
        tracks = tuple(
            replace(track, facts=replace(track.facts, path=Path(home) / track.path)) for track in take.tracks
        )
        yield replace(take, tracks=tracks), Path(home)


def _outline(address: str, home: Path) -> None:
    fs, root = _opened(address)
    for name in (SESSION_FILE, SHEET_FILE):
        if fs.exists(f"{root}/{name}"):
            fs.get_file(f"{root}/{name}", str(home / name))
    if not (home / SESSION_FILE).exists():
        raise ConfigError(f"{address}: no {SESSION_FILE} there; is it the address of a session's folder?")
    audio = PurePosixPath(read_session(home).files.folder).as_posix()
    (home / audio).mkdir(parents=True, exist_ok=True)
    # The description may lie among the recordings, where the audio folder is the session's own.
    for path, about in sorted(fs.find(f"{root}/{audio}".removesuffix("/."), detail=True).items()):
        relative = path.removeprefix(f"{root}/")
        if relative not in (SESSION_FILE, SHEET_FILE):
            _outline_of(fs, path, about, home / relative)


def _outline_of(fs: Any, path: str, about: dict[str, Any], here: Path) -> None:
    size = int(about.get("size") or 0)
    here.parent.mkdir(parents=True, exist_ok=True)
    if here.suffix.lower() in WHOLE:
        fs.get_file(path, str(here))
    else:
        with open(here, "wb") as file:
            file.write(fs.cat_file(path, start=0, end=min(HEAD_BYTES, size)) if size else b"")
            file.truncate(size)
            if size > HEAD_BYTES:
                tail = max(HEAD_BYTES, size - TAIL_BYTES)
                file.seek(tail)
                file.write(fs.cat_file(path, start=tail, end=size))
    changed_ns = _changed_ns(about)
    os.utime(here, ns=(changed_ns, changed_ns))


def _changed_ns(about: dict[str, Any]) -> int:
    """Return when an object changed last, in ns; the protocols have different names for it."""
    for name in ("LastModified", "last_modified", "mtime", "updated", "created"):
        found = about.get(name)
        if isinstance(found, datetime):
            return int(found.timestamp()) * 1_000_000_000
        if isinstance(found, int | float):
            return int(found) * 1_000_000_000
    return 0


def _opened(address: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        raise ConfigError(f"{address}: needs fsspec, and for s3 s3fs: pip install fsspec s3fs") from None
    try:
        fs, root = url_to_fs(address, use_listings_cache=False)
    except (ImportError, ValueError) as error:
        raise ConfigError(f"{address}: {error}; for s3: pip install fsspec s3fs") from None
    return fs, str(root).rstrip("/")


@contextmanager
def _errors_in_one_line(address: str) -> Iterator[None]:
    try:
        yield
    except (OSError, PermissionError) as error:
        why = " ".join(str(error).split())[:200] or type(error).__name__
        raise ConfigError(f"{address}: cannot be read ({why}); check the address and the keys") from None
