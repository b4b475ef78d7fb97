"""What a recorder wrote beside the samples: bext (time, origin) and iXML (take, track names), with wavinfo.

In: a path to a WAV, RF64 or BW64 file. Out: Headers; other files have none. Only the chunks asked for are
handed to wavinfo, in a small file of their own in memory: a damaged size elsewhere cannot mislead it. iXML
with a DTD is refused, since its entities could grow without bound or name other files; nothing here ever
raises on an odd file.

Sources: EBU Tech 3285 (bext, TimeReference 64 bit, samples since midnight); the iXML layout of field
recorders.
"""

import io
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from wavinfo import WavInfoReader

from triage.domain.errors import AudioError
from triage.intake.chunks import Layout, read_content, read_layout

# A coding history or a track list takes kilobytes.
MOST_CHUNK_BYTES = 1_048_576
BEXT_BYTES = 602
ENCODINGS = (b"utf-8", b"utf8", b"utf-16", b"us-ascii", b"ascii", b"iso-8859-1", b"windows-1252")
ONE_FMT = struct.pack("<HHIIHH", 1, 1, 48_000, 96_000, 2, 16)


@dataclass(frozen=True)
class Headers:
    """What was found; None or empty where the file has nothing. `tracks`: channel, from 1, to name."""

    time_reference_samples: int | None = None
    origination: str | None = None
    ixml_origination: str | None = None
    originator: str | None = None
    description: str | None = None
    take: str | None = None
    tracks: dict[int, str] = field(default_factory=dict)
    problem: str | None = None


def read_headers(path: Path) -> Headers:
    """Return the fields of bext and iXML.

    `time_reference_samples` counts samples since midnight; `origination` (bext) and `ixml_origination` are
    "yyyy-mm-dd hh:mm:ss". What could not be read is named in `problem`, the rest is still given.
    """
    headers, problems = Headers(), []
    for ident, read in ((b"bext", _bext), (b"iXML", _ixml)):
        try:
            layout = read_layout(Path(path))
            content = _content(Path(path), layout, ident) if layout else None
            if content:
                headers = replace(headers, **read(content))
        except Exception as error:  # hostile headers make readers raise anything; the samples are still of use
            problems.append(f"{ident.decode()} not read: {_line(str(error)) or type(error).__name__}")
    return replace(headers, problem="; ".join(problems) or None)


def _content(path: Path, layout: Layout, ident: bytes) -> bytes | None:
    chunk = layout.find(ident)
    if chunk is None:
        return None
    if chunk.size > MOST_CHUNK_BYTES or chunk.end > layout.file_bytes:
        raise AudioError(f"its {chunk.size} bytes are more than the file holds or than {MOST_CHUNK_BYTES}")
    return read_content(path, chunk, MOST_CHUNK_BYTES)


def _alone(ident: bytes, content: bytes) -> WavInfoReader:
    """Let wavinfo read one chunk in a WAV of nothing else."""
    # One sample, because wavinfo overlooks an empty chunk at the end and then misses its data.
    parts = ((b"fmt ", ONE_FMT), (ident, content + b"\0" * (len(content) % 2)), (b"data", b"\0\0"))
    body = b"WAVE" + b"".join(struct.pack("<4sI", name, len(data)) + data for name, data in parts)
    # Latin-1 gives every byte a meaning; the standard's ASCII would fail on an umlaut in a description.
    return WavInfoReader(io.BytesIO(struct.pack("<4sI", b"RIFF", len(body)) + body), bext_encoding="latin_1")


def _bext(content: bytes) -> dict[str, Any]:
    if len(content) < BEXT_BYTES:
        raise AudioError(f"{len(content)} bytes, expected {BEXT_BYTES} or more")
    bext = _alone(b"bext", content).bext
    assert bext is not None
    return {
        "time_reference_samples": bext.time_reference,
        "origination": _moment(bext.originator_date, bext.originator_time),
        "originator": _line(bext.originator) or None,
        "description": bext.description.strip() or None,
    }


def _ixml(content: bytes) -> dict[str, Any]:
    _refuse_entities(content)
    ixml = _alone(b"iXML", content).ixml
    if ixml is None or ixml.raw_xml.getroot() is None:
        raise AudioError("no XML in it")
    origin = {name: ixml.raw_xml.findtext(f"./BEXT/BWF_ORIGINATION_{name}") or "" for name in ("DATE", "TIME")}
    listed = ixml.raw_xml.find("./TRACK_LIST") is not None
    return {
        "take": _line(ixml.take or "") or None,
        "ixml_origination": _moment(origin["DATE"], origin["TIME"]),
        "tracks": dict(_tracks(ixml.track_list)) if listed else {},
    }


def _moment(day: str, time: str) -> str | None:
    # The standard asks readers to take any separator in the time.
    return f"{_line(day)} {re.sub('[^0-9]', ':', time.strip())}".strip() or None


def _tracks(listed: Any) -> Iterator[tuple[int, str]]:
    """Yield (channel from 1, name)."""
    for place, track in enumerate(listed, start=1):
        # INTERLEAVE_INDEX is the place in the file, CHANNEL_INDEX that on the recorder.
        index = track.interleave_index.strip() or track.channel_index.strip()
        if name := _line(track.name):
            yield (int(index) if re.fullmatch("[0-9]{1,4}", index) else place), name


def _refuse_entities(content: bytes) -> None:
    # Without its NUL bytes UTF-16 reads as ASCII, so that nothing hides from the search.
    plain = content.replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n").lower()
    if b"<!doctype" in plain or b"<!entity" in plain:
        raise AudioError("it declares a DTD or entities, which is refused")
    declared = re.match(rb"<\?xml[^>]*?encoding\s*=\s*[\"']([^\"']*)[\"']", plain)
    # In UTF-7 or EBCDIC a declaration could hide.
    if not plain.startswith(b"<") or (declared and declared[1] not in ENCODINGS):
        raise AudioError("not XML in UTF-8, UTF-16 or Latin-1")


def _line(text: str) -> str:
    return " ".join(text.split())
