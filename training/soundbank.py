"""Notes out of a SoundFont 2 bank: recorded waveforms, held by their loops, ended by a release of our own.

A bank file and the families wanted go in (a family is what a sample's name says before its pitch: "Flute" of
"Flute C#4(L)"); one waveform a pitch comes out, left channel where there are two. Layout: SoundFont Technical
Specification 2.01 (E-mu Systems, 1998), sections 5 (sdta), 6.1 and 7.10 (shdr); only samples and their headers are
read. Octaves in such names differ from bank to bank: pitches are right against each other, and no more is needed.
"""

import re
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from training import note_editing as shaping
from training.note_editing import Array
from triage.domain.errors import AudioError

HEADER = struct.Struct("<20s5IBbHH")  # name, start, end, start and end of the loop, rate, root key, cents, link, type
NAME = re.compile(r"^(?P<family>.+?)[ _-]?(?P<tone>[A-Ga-g])(?P<shift>[#b]?)(?P<octave>\d+) ?(\(?L\)?)?$")
TONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True)
class BankNote:
    """One waveform of a bank; the loop is in samples."""

    family: str
    midi_pitch: int
    wave: Array
    rate_hz: int
    loop: tuple[int, int]


def bank_notes(path: Path, families: Sequence[str]) -> list[BankNote]:
    """Return the notes of ``families`` in order of name and pitch.

    Raises AudioError if the file is not a SoundFont 2 bank.
    """
    try:
        data = path.read_bytes()
        place = {name: (start, stop) for name, start, stop in _chunks(data, 0, len(data))}
        samples = np.frombuffer(data[slice(*place[b"smpl"])], "<i2")
        headers = list(HEADER.iter_unpack(data[slice(*place[b"shdr"])]))
    except (OSError, KeyError, struct.error) as error:
        raise AudioError(f"{path}: not a SoundFont 2 bank ({error!r})") from None
    found = {}
    for header in headers:
        start, stop, loop, loop_end, rate_hz = header[1:6]
        match = NAME.match(header[0].split(b"\0")[0].decode("latin-1").strip())
        if match and match["family"] in families and start < loop < loop_end <= stop:
            shift = {"#": 1, "b": -1, "": 0}[match["shift"]]
            pitch = 12 * (int(match["octave"]) + 1) + TONES[match["tone"].upper()] + shift
            wave = samples[start:loop_end] / 32768
            bounds = (loop - start, loop_end - start)
            found[match["family"], pitch] = BankNote(match["family"], pitch, wave, rate_hz, bounds)
    return [found[key] for key in sorted(found)]


def play(note: BankNote, semitones: float, length_s: float, release_s: float, rate_hz: int) -> Array:
    """Return the note ``semitones`` away at ``rate_hz``, about ``length_s`` long, onset at sample 0."""
    total_s = length_s + 3 * release_s
    spare, (loop, loop_end) = max(1.2, 1.1 * 2 ** (semitones / 12)), note.loop
    turns = np.resize(note.wave[loop:loop_end], max(0, round(spare * total_s * note.rate_hz) - loop_end))
    ratio = 2 ** (semitones / 12) * note.rate_hz / rate_hz
    wave = shaping.retune(np.concatenate((note.wave, turns)), ratio)
    wave = wave[shaping.onset_sample(wave, rate_hz) :][: round(total_s * rate_hz)]
    time_s = np.arange(len(wave)) / rate_hz
    wave = wave * 10 ** (-20 / release_s * np.maximum(0, time_s - length_s) / 20)  # 20 dB down after one release
    return shaping.faded(wave, rate_hz, 0.001, 0.01)


def _chunks(data: bytes, start: int, stop: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield (four letters, start, stop) of each chunk of a RIFF file; lists are entered."""
    while start + 8 <= stop:
        name, size = struct.unpack_from("<4sI", data, start)
        if name in (b"RIFF", b"LIST"):
            yield from _chunks(data, start + 12, start + 8 + size)
        else:
            yield name, start + 8, start + 8 + size
        start += 8 + size + size % 2
