"""Small recordings for the tests of intake, written byte by byte.

Layouts: bext after EBU Tech 3285; ds64 after EBU Tech 3306 and ITU-R BS.2088; fmt with tag 0xFFFE and
the GUID tail of extensible WAV; iXML with TRACK_LIST. By hand, so that reader and writer share no mistake.
"""

import struct
from pathlib import Path

import numpy as np
import soundfile

UNKNOWN = 0xFFFFFFFF
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def ramp(n_samples: int = 4_800, n_channels: int = 1) -> np.ndarray:
    """Integers, shape (sample, channel), all different within a channel's first 16 000 samples."""
    return (np.arange(n_samples)[:, None] % 16_000 + 1000 * np.arange(n_channels)).astype(np.int32)


def pcm(samples: np.ndarray, bits: int = 16) -> bytes:
    """Little-endian integers; 24 bit as the upper three bytes of 32."""
    if bits == 24:
        return (samples.astype("<i4") << 8).view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()
    return samples.astype(f"<i{bits // 8}").tobytes()


def chunk(ident: bytes, content: bytes, size: int | None = None, pad: bool = True) -> bytes:
    size = len(content) if size is None else size
    return struct.pack("<4sI", ident, size) + content + b"\0" * (pad and len(content) % 2)


def fmt(channels: int = 1, rate_hz: int = 48_000, bits: int = 16, tag: int = 1) -> bytes:
    frame = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame, frame, bits))


def fmt_extensible(channels: int, rate_hz: int = 48_000, bits: int = 24, true_tag: int = 1) -> bytes:
    frame = channels * bits // 8
    start = struct.pack("<HHIIHH", 0xFFFE, channels, rate_hz, rate_hz * frame, frame, bits)
    return chunk(b"fmt ", start + struct.pack("<HHIH", 22, bits, 0, true_tag) + GUID_TAIL)


def riff(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return struct.pack("<4sI", b"RIFF", len(body)) + body


def wide(kind: bytes, data: bytes, promised: int | None = None, head: bytes = b"") -> bytes:
    """RF64 or BW64: sizes in ds64, UNKNOWN in the 32-bit places."""
    promised = len(data) if promised is None else promised
    ds64 = chunk(b"ds64", struct.pack("<QQQI", len(data) + 80, promised, 0, 0))
    return struct.pack("<4sI4s", kind, UNKNOWN, b"WAVE") + ds64 + (head or fmt()) + chunk(b"data", data, UNKNOWN)


def bext(time_reference: int = 0, description: bytes = b"", time: bytes = b"14:30:00", history: bytes = b"") -> bytes:
    content = struct.pack(
        "<256s32s32s10s8sQH64s5h180s",
        description,
        b"recorder",
        b"",
        b"2026-03-14",
        time,
        time_reference,
        2,
        b"",
        *[0x7FFF] * 5,
        b"",
    )
    assert len(content) == 602  # EBU Tech 3285: bytes before CodingHistory
    return chunk(b"bext", content + history)


def ixml(*names: str, take: str = "7", head: str = '<?xml version="1.0" encoding="UTF-8"?>') -> bytes:
    """Tracks in the order of the file; their channel on the recorder is 10 higher."""
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{place + 10}</CHANNEL_INDEX><INTERLEAVE_INDEX>{place}</INTERLEAVE_INDEX>"
        f"<NAME>{name}</NAME></TRACK>"
        for place, name in enumerate(names, start=1)
    )
    text = (
        f"{head}<BWFXML><IXML_VERSION>1.5</IXML_VERSION><TAKE>{take}</TAKE>"
        f"<TRACK_LIST><TRACK_COUNT>{len(names)}</TRACK_COUNT>{tracks}</TRACK_LIST></BWFXML>"
    )
    return chunk(b"iXML", text.encode())


def wav(samples: np.ndarray | None = None, *, rate_hz: int = 48_000, bits: int = 16, extra: bytes = b"") -> bytes:
    samples = ramp() if samples is None else samples
    return riff(fmt(samples.shape[1], rate_hz, bits), extra, chunk(b"data", pcm(samples, bits)))


def write(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def encode(path: Path, samples: np.ndarray, subtype: str = "PCM_16", rate_hz: int = 48_000) -> Path:
    """AIFF or FLAC, by the suffix; samples as for `pcm` with 16 bits."""
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples.astype(np.int16), rate_hz, subtype=subtype)
    return path


def session_toml(name: str = "{take}_{mic}.wav", mics: tuple[str, ...] = ("close", "room"), extra: str = "") -> str:
    seats = "".join(f'[[mics]]\nname = "{mic}"\nrole = "{"room" if mic == "room" else "close"}"\n' for mic in mics)
    return (
        '[session]\nname = "mill-day2-b"\ndate = 2026-03-14\nsample_rate_hz = 48000\na4_hz = 442.0\n'
        f'{extra}\n[files]\nfolder = "audio"\nname = "{name}"\n{seats}'
    )


def write_session(folder: Path, takes: tuple[str, ...] = ("T001", "T002"), **toml: object) -> Path:
    """A session folder with its description and sheet, and no recordings."""
    write(folder / "session.toml", session_toml(**toml).encode())  # type: ignore[arg-type]
    rows = "".join(f"{take},horn,sustain,mf,F3 G3,2,\n" for take in takes)
    header = "take,instrument,articulation,dynamic,pitches,repetitions,remark\n"
    write(folder / "take_sheet.csv", (header + rows).encode())
    (folder / "audio").mkdir(exist_ok=True)
    return folder
