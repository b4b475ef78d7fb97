"""Odd files, made small: seeds for fuzzing, each with what is odd about it.

WAV, RF64, BW64, RIFX, AIFF and FLAC with good and with lying headers; iXML with entities, deep nesting, other
encodings; sheets, descriptions, manifests and names as people and programs spoil them. A fuzzer starts from these.
"""

import io
import struct
from collections.abc import Iterator

import numpy as np
import soundfile

RATE_HZ = 8_000
SAMPLES = np.sin(np.arange(400) / 5).astype(np.float32) * 0.3
BIG = 0xFFFFFFFF


def chunk(ident: bytes, content: bytes, size: int | None = None, order: str = "<") -> bytes:
    """Return one chunk; ``size`` lies about its length."""
    told = struct.pack(f"{order}I", len(content) if size is None else size)
    return ident + told + content + b"\0" * (len(content) % 2)


def wav(*chunks: bytes, kind: bytes = b"RIFF", form: bytes = b"WAVE", order: str = "<") -> bytes:
    """Return a file of these chunks."""
    body = form + b"".join(chunks)
    return kind + struct.pack(f"{order}I", len(body)) + body


def fmt(tag: int = 1, channels: int = 1, rate_hz: int = RATE_HZ, bits: int = 16) -> bytes:
    """Return a format chunk."""
    width = max(1, bits // 8) * max(1, channels)
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * width & BIG, width & 0xFFFF, bits))


def pcm(n: int = 400) -> bytes:
    """Return samples of 16 bits."""
    return (SAMPLES[:n] * 32_767).astype("<i2").tobytes()


def encoded(**how: str) -> bytes:
    """Return a whole file as the audio library writes it."""
    file = io.BytesIO()
    soundfile.write(file, SAMPLES, RATE_HZ, **how)
    return file.getvalue()


def ixml(text: str | bytes) -> bytes:
    """Return a recording with this iXML."""
    content = text if isinstance(text, bytes) else text.encode()
    return wav(fmt(), chunk(b"iXML", content), chunk(b"data", pcm()))


def recordings() -> Iterator[bytes]:
    """Yield files that are, or pass for, recordings."""
    data, bext = chunk(b"data", pcm()), b"a" * 602
    yield wav(fmt(), data)
    yield wav(fmt(), chunk(b"bext", bext), data)
    yield wav(fmt(), chunk(b"bext", bext[:10]), data)
    yield wav(fmt(), chunk(b"data", pcm(), size=BIG))
    yield wav(fmt(), chunk(b"data", pcm(), size=0))
    yield wav(fmt(), chunk(b"data", pcm(), size=9_999_999))
    yield wav(data, fmt())
    yield wav(fmt(channels=0), data)
    yield wav(fmt(channels=65_535, bits=32), data)
    yield wav(fmt(rate_hz=0), data)
    yield wav(fmt(rate_hz=BIG), data)
    yield wav(fmt(bits=0), data)
    yield wav(fmt(tag=0xFFFE), data)
    yield wav(fmt(tag=0x55), data)
    yield wav(*[chunk(b"junk", b"")] * 200, fmt(), data)
    yield wav(fmt(), data, chunk(b"cue ", struct.pack("<I", BIG)))
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 2**63, len(pcm()), 400, 3) + b"data" + struct.pack("<Q", 2**63))
    for kind in (b"RF64", b"BW64"):
        yield wav(ds64, fmt(), chunk(b"data", pcm(), size=BIG), kind=kind)
        yield wav(chunk(b"ds64", b"", size=28), fmt(), chunk(b"data", pcm(), size=BIG), kind=kind)
    yield wav(fmt(), data, kind=b"RIFX", order=">")
    common = struct.pack(">HIH", 1, 400, 16) + b"\x40\x0b\xfa\0\0\0\0\0\0\0"
    sound = chunk(b"SSND", b"\0" * 8 + pcm(), order=">")
    yield wav(chunk(b"COMM", common, order=">"), sound, kind=b"FORM", form=b"AIFF", order=">")
    lying = struct.pack(">HIH", 65_535, BIG, 65_535) + common[8:]
    yield wav(chunk(b"COMM", lying, order=">"), sound, kind=b"FORM", form=b"AIFF", order=">")
    for how in (
        {"format": "FLAC", "subtype": "PCM_16"},
        {"format": "AIFF", "subtype": "PCM_24"},
        {"format": "RF64", "subtype": "FLOAT"},
        {"format": "OGG", "subtype": "VORBIS"},
        {"format": "WAV", "subtype": "MS_ADPCM"},
        {"format": "CAF", "subtype": "PCM_16"},
    ):
        whole = encoded(**how)
        yield whole
        yield whole[: len(whole) // 2]
    yield from (b"", b"RIFF", b"RIFF\0\0\0\0WAVE", b"fLaC", b"FORM\0\0\0\0AIFF", b"\0" * 4096)


def ixmls() -> Iterator[bytes]:
    """Yield contents of an iXML chunk."""
    good = (
        "<BWFXML><TAKE>T1</TAKE><TRACK_LIST><TRACK_COUNT>1</TRACK_COUNT><TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX>"
        "<INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>close</NAME></TRACK></TRACK_LIST></BWFXML>"
    )
    yield good.encode()
    yield f'<?xml version="1.0" encoding="UTF-16"?>{good}'.encode("utf-16")
    yield b"\xef\xbb\xbf" + good.encode()
    lol = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    yield f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a0 "lol">{lol}]><BWFXML><TAKE>&a9;</TAKE></BWFXML>'.encode()
    yield b'<!DOCTYPE x SYSTEM "file:///etc/passwd"><BWFXML/>'
    yield b'<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]><BWFXML><TAKE>&f;</TAKE></BWFXML>'
    yield b"<?xml version='1.0' encoding='utf-7'?>+ADwAIQ-DOCTYPE x+AD4-"
    yield (good.replace("T1", "<X>" * 20_000 + "</X>" * 20_000)).encode()
    yield good.replace("<CHANNEL_INDEX>1<", "<CHANNEL_INDEX>99999999999<").encode()
    yield good.replace("<NAME>close</NAME>", "").encode()
    yield b"<BWFXML><TRACK_LIST><TRACK/></TRACK_LIST></BWFXML>"
    yield b"<" * 1000
    yield good.encode("utf-16-le")[1:]


SHEETS = (
    b"take,instrument,articulation,dynamic,pitches,repetitions,remark\nT1,horn,staccato,mf,F3 F#3 G3,3,x\n",
    b"take;instrument;pitches\r\nT1;horn;53 54\r\nT1;horn;53\r\n",
    b"\xef\xbb\xbftake\tpitches\nT1\t60\n",
    "take,pitches\nT1,C♯4 B♭3 H9 -5 999\n".encode(),
    "take,pitches\nT1,60\n".encode("utf-16"),
    b'take,take,pitches\n"T1\nT2","60,61",\n',
    b"take,repetitions\nT1,999999999999999999999\nT2,-1\nT3,3.0\nT4,1e9\n",
    b"\n\n\ntake\n",
    b'take,pitches\n"unclosed,60\n' + b"x" * 200_000,
    b"PK\x03\x04\0\0\0\0",
    b"take,remark\n" + b"T1," + b'"' * 999 + b"\n",
    b"take\n=cmd()\n+1\n@x\n-2\n",
)
TOMLS = (
    b'[session]\nname = "a"\ndate = 2026-03-14\n[files]\nfolder = "audio"\nname = "{take}_{mic}.wav"\n'
    b'[[mics]]\nname = "close"\nrole = "close"\n',
    b'[session]\nname = "a"\ndate = 2026-03-14\na4_hz = nan\n[files]\nname = "{take}.wav"\n'
    b'[[mics]]\nname="a"\nrole="room"\n',
    b"[session\n",
    b"a = " + b"[" * 5000,
    b"a" * 100_000,
    b"[session]\nname = 'a'\nname = 'b'\n",
    b"\xff\xfe",
    b"x = 1e999999\n[session]\ndate = 2026-13-45\n",
    b'[session]\nname = "\\u0000"\n',
    b"a.b.c.d.e.f = {x = {y = {z = 1}}}\n" * 3,
    b"[session]\na4_hz = " + b"9" * 5000 + b"\n",
)
MANIFESTS = (
    b"aa  data/audio/T1_close.wav\n",
    b"AA *data/a b.wav\r\n",
    b"zz  data/x\n",
    b"aa  ../../etc/passwd\n",
    b"aa  data/../../x\n",
    b"aa  /etc/passwd\n",
    b"aa  ~root/x\n",
    b"aa  C:\\x\n",
    b"aa  data/%2e%2e%0A%25\n",
    b"aa  data/x\0y\n",
    b"aa\n",
    b"\xff\xfe\xfd\n",
    b"aa  " + b"data/" * 3000 + b"x\n",
    b"a" * 100_000,
    "aa  data/e\u0301.wav\naa  data/\u00e9.wav\n".encode(),
    b"aa  other/x\n",
)
# What a bag says of itself: encodings that are none, that have a NUL in their name, or that always fail.
ENCODINGS = (b"UTF-8", b"zip", b"\0\0", b"a\0b", b"undefined", b"idna", b"x" * 10_000, "caf\u00e9".encode())
DECLARATIONS = (
    b"BagIt-Version: 9\nTag-File-Character-Encoding: idna\n",
    *(b"BagIt-Version: 1.0\nTag-File-Character-Encoding: " + name + b"\n" for name in ENCODINGS),
)
CONTENTS = (
    b"path,size_bytes,take,mic\naudio/T1.wav,3,T1,close\n",
    b"path,size_bytes\n",
    b"path,size_bytes,take,mic\nx,many,,\n",
    b"path,size_bytes,take,mic\nx\n",
    b"\xff",
    b'path,size_bytes,take,mic\n"x',
    b"path,size_bytes,take,mic\nx," + b"9" * 5000,
    b"path,size_bytes,take,mic\n" + b"x" * 200_000 + b",1,,\n",
)
MEMORIES = (
    b'{"name": "x", "size": 3, "mtime_ns": 1, "inode": 2, "sums": {"sha256": "aa"}}\n'
    b'{"name": "x", "seen": 3, "at": 1.5}\n',
    b'{"name": "x", "size": 1e400, "mtime_ns": 1, "inode": 2, "sums": {}}\n',
    b'[1]\nnull\n7\n"x"\n',
    b"{" * 9000,
    b'{"name": "x", "seen": ' + b"9" * 5000 + b', "at": 1}\n',
    b"\xff\n",
    b'{"name": "x", "sums": [], "size": {}}\n',
)
NAMES = (
    "{take}_{mic}.wav\nT1_close.wav",
    "{take}/{mic}.wav\nT1/close.WAV",
    "{take}\n",
    "{take}{mic}\nx",
    "{take}_{take}.wav\na_a.wav",
    "{take}_{mic}_{pitch}_{repetition}.wav\n" + "_" * 60 + ".wav",
    "{x}\nx",
    "../{take}\nx",
    "{take}_{pitch}.wav\nT_1_F#3.wav",
    "{take}-{instrument}-{articulation}-{dynamic}-{pitch}-{repetition}-{mic}.wav\n" + "-a" * 200 + ".wav",
    "{\n",
    "\0{take}\n\0x",
    "{take}.*+?()[]\\.wav\nx.*+?()[]\\.wav",
)
