"""Real notes out of a SoundFont 2 bank: one recorded waveform a note, its loop repeated.

Layout: SoundFont Technical Specification 2.01 (E-mu Systems, 1998), sections 5 (sdta), 6.1 and 7.10 (shdr). Only the
samples and their headers are read; what presets would do to them (other root keys, filters) is left out.
"""

import struct
from pathlib import Path
from typing import NamedTuple

import numpy as np

HEADER = struct.Struct("<20s5IBbHH")  # name, start, end, start and end of the loop, rate, root key, cents, link, type


class BankNote(NamedTuple):
    """One waveform of the bank, full scale 1, and what its header says."""

    name: str
    wave: np.ndarray
    rate_hz: int
    root_key: int
    cents: int  # what a player adds to bring it to the root key


def chunks(data: bytes, start: int, stop: int):
    """The chunks between two places of a RIFF file: (four letters, start, stop); lists are entered."""
    while start + 8 <= stop:
        name, size = struct.unpack_from("<4sI", data, start)
        if name in (b"RIFF", b"LIST"):
            yield from chunks(data, start + 12, start + 8 + size)
        else:
            yield name, start + 8, start + 8 + size
        start += 8 + size + size % 2


def bank_notes(path: Path, length_s: float = 1.0):
    """The bank's waveforms in order, each brought to length_s by its loop."""
    data = path.read_bytes()
    place = {name: (start, stop) for name, start, stop in chunks(data, 0, len(data))}
    samples = np.frombuffer(data[slice(*place[b"smpl"])], "<i2")
    for header in HEADER.iter_unpack(data[slice(*place[b"shdr"])]):
        name, start, stop, loop, loop_end, rate_hz, key, cents, *_ = header
        name = name.split(b"\0")[0].decode("ascii")
        if name != "EOS" and start < loop < loop_end <= stop:
            wave = samples[start:loop_end] / 32768
            missing = max(0, round(length_s * rate_hz) - len(wave))
            turns = np.resize(wave[loop - start :], missing)
            yield BankNote(name, np.concatenate((wave, turns)), rate_hz, key, cents)
