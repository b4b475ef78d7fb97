"""Chunk layout of a WAV, RF64, BW64, RIFX or AIFF file: which chunks, where, of how many bytes.

In: a path. Out: a Layout, or None where the file is of no such kind. Only headers are read, 8 bytes per chunk, so the
length of a recording does not matter. Sizes are what the header says, even where the file ends earlier: the audio
library clips them without an error, and half a file would pass for a whole one.

Sources: EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64, `ds64`); EBU Tech 3285 (WAV with `bext`).
"""

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

LITTLE, BIG = "<", ">"
ORDERS = {b"RIFF": LITTLE, b"RF64": LITTLE, b"BW64": LITTLE, b"RIFX": BIG, b"FORM": BIG}
WIDE_KINDS = (b"RF64", b"BW64")
# A 32-bit size that a writer leaves as all ones: "see ds64", or never filled in.
UNKNOWN_SIZE = 0xFFFFFFFF
# Real files have tens of chunks; a damaged one must not be walked eight bytes at a time for hours.
MOST_CHUNKS = 4096
MOST_DS64_BYTES = 65_536


@dataclass(frozen=True)
class Chunk:
    """One chunk: identifier, offset of its first content byte, size in bytes as the header promises it."""

    ident: bytes
    start: int
    size: int

    @property
    def end(self) -> int:
        """Offset just behind the content, pad byte not counted."""
        return self.start + self.size


@dataclass(frozen=True)
class Layout:
    """All chunks of a file in order; `unpadded` where an odd-sized chunk lacks its pad byte."""

    kind: bytes
    file_bytes: int
    chunks: tuple[Chunk, ...]
    unpadded: bool

    @property
    def order(self) -> str:
        """Byte order as `struct` writes it."""
        return ORDERS[self.kind]

    def find(self, ident: bytes) -> Chunk | None:
        """Return the first chunk of that identifier, or None."""
        return next((chunk for chunk in self.chunks if chunk.ident == ident), None)


def read_layout(path: Path) -> Layout | None:
    """Return the chunk layout of a file, or None where it is none of the kinds known here; raises OSError.

    The walk ends at the file's end, at bytes that are no chunk identifier, or after 4096 chunks.
    """
    with open(path, "rb") as file:
        kind, form = file.read(4), file.read(8)[4:]
        if kind not in ORDERS or form not in (b"WAVE", b"AIFF", b"AIFC"):
            return None
        file_bytes = file.seek(0, os.SEEK_END)
        chunks, unpadded = _walk(file, file_bytes, ORDERS[kind])
    return Layout(kind, file_bytes, chunks, unpadded)


def read_content(path: Path, chunk: Chunk, most_bytes: int) -> bytes:
    """Return a chunk's content without its pad byte, as far as the file holds it; raises OSError.

    At most `most_bytes`, so that a damaged size cannot fill the memory.
    """
    with open(path, "rb") as file:
        file.seek(chunk.start)
        return file.read(min(chunk.size, most_bytes))


def _walk(file: BinaryIO, file_bytes: int, order: str) -> tuple[tuple[Chunk, ...], bool]:
    chunks: list[Chunk] = []
    wide: dict[bytes, int] = {}
    unpadded, at = False, 12
    while at + 8 <= file_bytes and len(chunks) < MOST_CHUNKS:
        file.seek(at)
        ident, size = struct.unpack(f"{order}4sI", file.read(8))
        if not _is_ident(ident):
            break
        chunk = Chunk(ident, at + 8, wide.get(ident, size) if size == UNKNOWN_SIZE else size)
        chunks.append(chunk)
        if ident == b"ds64":
            wide = _wide_sizes(file.read(min(size, MOST_DS64_BYTES)))
        at = chunk.end
        if chunk.size % 2 and at < file_bytes:
            file.seek(at)
            # A pad byte is zero; a letter there means that the writer forgot it and the next chunk follows.
            padded = not _is_ident(file.read(4))
            unpadded, at = unpadded or not padded, at + padded
    return tuple(chunks), unpadded


def _wide_sizes(ds64: bytes) -> dict[bytes, int]:
    """Return the 64-bit sizes of ds64: riffSize, dataSize, sampleCount, then a table of other chunks."""
    if len(ds64) < 28:
        return {}
    data_size, entries = struct.unpack_from("<8xQ8xI", ds64)
    table = ds64[28 : 28 + 12 * entries]
    sizes = dict(struct.iter_unpack("<4sQ", table[: len(table) // 12 * 12]))
    return {**sizes, b"data": data_size}


def _is_ident(ident: bytes) -> bool:
    return len(ident) == 4 and all(0x20 <= byte < 0x7F for byte in ident)
