"""What is fuzzed: each target takes bytes from a stranger and must end well, or with one of this tool's own errors.

A target fails by raising anything else, by an error of several lines, or by breaking a promise that it checks itself.
Time and memory are watched by whoever runs it.
"""

import struct
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz import odd
from triage.domain.errors import TriageError
from triage.domain.pitch import parse_pitch
from triage.intake import wav
from triage.intake.headers import read_headers
from triage.intake.integrity import FileFacts, check_file
from triage.intake.names import NamePattern
from triage.intake.recording_time import recorded_at
from triage.intake.session import SESSION_FILE, read_session
from triage.intake.sheet import SHEET_FILE, read_sheet
from triage.judge import learned_doubt as learned
from triage.transfer.contents import read_contents
from triage.transfer.fixity import open_cache
from triage.transfer.manifests import read_declaration, read_manifests, safe_path

HOME = Path(tempfile.mkdtemp(prefix="fuzz"))
MOST_SECONDS_READ = 3_600  # of an odd file; what promises more is only opened


@dataclass(frozen=True)
class Target:
    """What takes the bytes, and the odd ones to start from."""

    take: Callable[[bytes], None]
    seeds: tuple[bytes, ...]


def recording(data: bytes) -> None:
    """Look at a file as the roll call does and, if it is sound, read all of it."""
    path = HOME / "odd.wav"
    path.write_bytes(data)
    facts = check_file(path)
    assert facts.problem is None or "\n" not in facts.problem
    headers = read_headers(path)
    assert headers.problem is None or "\n" not in headers.problem
    recorded_at([facts])
    if facts.problem is None and facts.duration_s < MOST_SECONDS_READ:
        n_samples = sum(block.shape[1] for block in wav.blocks(path))
        assert n_samples == facts.frames, "a sound file gave fewer samples than it promised"
        wav.read_span(path, 0, 0.0, 0.5)


def ixml(data: bytes) -> None:
    """Read iXML; nothing of another file and no grown entity may show."""
    path = HOME / "ixml.wav"
    path.write_bytes(odd.ixml(data))
    headers = read_headers(path)
    told = repr(headers)
    assert "root:" not in told and len(told) < 20 * len(data) + 2_000


def sheet(data: bytes) -> None:
    """Read a take sheet; each slip is one line."""
    path = HOME / SHEET_FILE
    path.write_bytes(data)
    found = read_sheet(path)
    assert all("\n" not in line for line in found.problems)
    assert len({row.take for row in found.rows}) == len(found.rows)
    assert all(12 <= pitch <= 127 for row in found.rows for pitch in row.pitches)


def description(data: bytes) -> None:
    """Read a session's description, and use what it says."""
    (HOME / SESSION_FILE).write_bytes(data)
    session = read_session(HOME)
    assert session.reference_mic_name() in session.mic_names and 380 <= session.a4_hz <= 500
    NamePattern(session.files.name, session.mic_names).match("T001_close.wav")


def name(data: bytes) -> None:
    """Match a name with a pattern: the first line is the pattern, the second the name."""
    pattern, _, path = data.decode("utf-8", "replace").partition("\n")
    fields = NamePattern(pattern, ("close", "room"), ("T1", "T1_a")).match(path)
    assert fields is None or ("take" in fields and all("/" not in value for value in fields.values()))


def pitch(data: bytes) -> None:
    """Read a pitch's name."""
    assert 0 <= parse_pitch(data.decode("utf-8", "replace")) <= 127


def manifest(data: bytes) -> None:
    """Read a bag's manifest; no path of it leads out of the bag."""
    bag = HOME / "bag"
    bag.mkdir(exist_ok=True)
    (bag / "manifest-sha256.txt").write_bytes(data)
    for path in read_manifests(bag).payload:
        assert safe_path(path) == path and (bag / path).resolve().is_relative_to(bag.resolve())


def declaration(data: bytes) -> None:
    """Read a bag's declaration, and a manifest in the encoding that it declares."""
    bag = HOME / "declared"
    bag.mkdir(exist_ok=True)
    (bag / "bagit.txt").write_bytes(data)
    (bag / "manifest-sha256.txt").write_bytes(b"aa  data/x\n")
    read_manifests(bag, read_declaration(bag))


def contents(data: bytes) -> None:
    """Read a bag's list of contents."""
    path = HOME / "contents.csv"
    path.write_bytes(data)
    read_contents(path)


def memory(data: bytes) -> None:
    """Read remembered checksums; a torn line is passed over."""
    (HOME / "remembered.hashes.jsonl").write_bytes(data)
    open_cache(HOME / "remembered")


def model(data: bytes) -> None:
    """Read a model file."""
    learned.from_bytes(data, "model x")


def file_time(data: bytes) -> None:
    """Tell when a take was recorded by a file's time, whatever the file system says."""
    (mtime_ns,) = struct.unpack("<q", data[:8].ljust(8, b"\0"))
    recorded_at([FileFacts(HOME / "none.wav", mtime_ns=mtime_ns, duration_s=float(len(data)))])


def _models() -> Iterable[bytes]:
    import skops.io

    yield skops.io.dumps({"format": learned.FORMAT, "version": "x", "names": ["a"], "kinds": ["fine", "b"]})
    yield skops.io.dumps({"format": "other"})
    yield skops.io.dumps([1, 2, {"a": [None, True, 1.5, "x"]}])
    yield b"PK\x05\x06" + bytes(18)


TARGETS: dict[str, Target] = {
    "recording": Target(recording, tuple(odd.recordings())),
    "ixml": Target(ixml, tuple(odd.ixmls())),
    "sheet": Target(sheet, odd.SHEETS),
    "description": Target(description, odd.TOMLS),
    "name": Target(name, tuple(text.encode() for text in odd.NAMES)),
    "pitch": Target(pitch, (b"C4", b"F#3", b"60", "B♭-1".encode(), b"999")),
    "manifest": Target(manifest, odd.MANIFESTS),
    "declaration": Target(declaration, odd.DECLARATIONS),
    "contents": Target(contents, odd.CONTENTS),
    "memory": Target(memory, odd.MEMORIES),
    "model": Target(model, tuple(_models())),
    "file-time": Target(file_time, (bytes(8), b"\xff" * 8, b"\xff" * 7 + b"\x7f", bytes(7) + b"\x80")),
}


def tried(target: Target, data: bytes) -> None:
    """Give bytes to a target; this tool's own errors are a good end, if they are one line."""
    try:
        target.take(data)
    except TriageError as error:
        assert "\n" not in str(error) and str(error), f"not one line: {error!r}"
        assert len(str(error)) < 2_000, f"a line of {len(str(error))} characters"
