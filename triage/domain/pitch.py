"""Pitch names and numbers: "F#3", "Bb3" or "53" to MIDI and back, MIDI to Hz and back.

A MIDI number is a sounding pitch in semitones, 69 = A4; pitches are sounding ones, never those
written for a transposing instrument. The octave number of middle C (MIDI 60) is a convention, 4 in scientific
notation and 3 with some makers, so every function that reads or writes a name takes `middle_c_octave`.
"""

import math
import re

from triage.domain.errors import AudioError, SheetError

MIDI_A4 = 69
MIDI_C4 = 60
LOWEST_MIDI, HIGHEST_MIDI = 0, 127
STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
NAME = re.compile(r"([A-Ga-g])([#♯]{0,2}|[b♭]{0,2})(-?[0-9]{1,2})")


def parse_pitch(text: str, middle_c_octave: int = 4) -> int:
    """Return the MIDI number, 0 to 127, of a pitch name or of a number written out.

    midi = 60 + 12 (octave - middle_c_octave) + step + sharps - flats, step in semitones above C

    Parameters
    ----------
    text : str
        "F#3", "Bb3", "c4", "F♯3" or "53"; the octave belongs to the letter, so B#3 is C4 and Cb4 is B3.
    middle_c_octave : int
        The octave number that MIDI 60 carries.

    Raises
    ------
    SheetError
        If it is neither, or lies outside 0 to 127.

    References
    ----------
    ISO 16:1975 (A4 = 440 Hz); MIDI 1.0, note number 60 = middle C.
    """
    text = text.strip()
    # ASCII digits only: int() would also take "٥٣" and "5_3", which nobody writes for a pitch.
    if re.fullmatch(r"[+-]?[0-9]{1,9}", text):
        midi = int(text)
    elif named := NAME.fullmatch(text):
        letter, bend, octave = named.groups()
        shift = sum(1 if sign in "#♯" else -1 for sign in bend)
        midi = MIDI_C4 + 12 * (int(octave) - middle_c_octave) + STEPS[letter.upper()] + shift
    else:
        raise SheetError(f"{text[:100]!r} is no pitch; write a name such as F#3 or Bb3, or a MIDI number such as 53")
    if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
        raise SheetError(f"{text[:100]!r} is MIDI {midi}, outside {LOWEST_MIDI} to {HIGHEST_MIDI}; correct the pitch")
    return midi


def pitch_name(midi: int, middle_c_octave: int = 4) -> str:
    """Return the name of a MIDI number of 0 to 127, black keys as sharps: 54 is "F#3"."""
    octave, step = divmod(midi - MIDI_C4, 12)
    return f"{NAMES[step]}{octave + middle_c_octave}"


def midi_to_hz(midi: float, a4_hz: float = 440.0) -> float:
    """Return the frequency in Hz of a MIDI number, with fraction, in equal temperament (ISO 16:1975).

    hz = a4_hz * 2 ** ((midi - 69) / 12)
    """
    return a4_hz * 2.0 ** ((midi - MIDI_A4) / 12)


def hz_to_midi(hz: float, a4_hz: float = 440.0) -> float:
    """Return the MIDI number, with fraction, of a frequency in Hz (ISO 16:1975); AudioError if it is not above 0.

    midi = 69 + 12 log2(hz / a4_hz)
    """
    if not hz > 0:
        raise AudioError(f"a frequency of {hz:g} Hz has no pitch; expected more than 0 Hz")
    return MIDI_A4 + 12 * math.log2(hz / a4_hz)
