"""Sounding ranges of instruments, to warn of implausible pitches on a take sheet.

In: an instrument's name as a take sheet writes it, and a pitch (MIDI). Out: a warning or nothing. The ranges are
the conservative ones of a handbook; players exceed them, so a pitch outside is a question and never refused.
"""

import re

# Sounding ranges, lowest and highest MIDI: the default ranges of Abjad, a library for music notation, after
# common orchestration books.
RANGES: dict[str, tuple[int, int]] = {
    "piccolo": (74, 108),
    "flute": (60, 98),
    "oboe": (58, 93),
    "bassoon": (34, 75),
    "trumpet": (54, 86),
    "french horn": (35, 77),
    "horn": (35, 77),
    "alto trombone": (45, 82),
    "tenor trombone": (40, 75),
    "trombone": (40, 75),
    "bass trombone": (36, 65),
    "tuba": (26, 65),
    "violin": (55, 103),
    "viola": (48, 86),
    "cello": (36, 79),
    "double bass": (24, 67),
    "contrabass": (24, 67),
}
# Names that hold another's and sound elsewhere: nothing is known of these.
OTHERS = (
    "english horn",
    "basset horn",
    "tenor horn",
    "flugelhorn",
    "alto flute",
    "bass flute",
    "piccolo trumpet",
    "bass trumpet",
    "contrabassoon",
    "contrabass trombone",
    "contrabass tuba",
    "contrabass clarinet",
    "wagner tuba",
    "oboe d'amore",
    "bass oboe",
)


def sounding_range(instrument: str) -> tuple[int, int] | None:
    """Return an instrument's lowest and highest sounding pitch, or None where it is not known.

    Parameters
    ----------
    instrument : str
        As on the take sheet: case, hyphens, plurals and what stands around the name ("Horns a4") do not matter.

    Returns
    -------
    tuple of int or None
        MIDI. The longest name found in the text counts, so "bass trombone" is no trombone.

    References
    ----------
    Default ranges of Abjad (https://abjad.github.io), which follow common orchestration books.
    """
    words = re.sub("[^a-z']+", " ", instrument.lower())
    text = f" {words.strip()} "
    found = [name for name in (*RANGES, *OTHERS) if re.search(rf" {name}(s|es)? ", text)]
    return RANGES.get(max(found, key=len)) if found else None


def outside(instrument: str, pitch: int) -> str | None:
    """Return "below" or "above" for a pitch outside its instrument's usual range, else None.

    Parameters
    ----------
    instrument : str
        See sounding_range.
    pitch : int
        Sounding MIDI.

    Returns
    -------
    str or None
        None also where the instrument is not known.
    """
    known = sounding_range(instrument)
    if known is None or known[0] <= pitch <= known[1]:
        return None
    return "below" if pitch < known[0] else "above"
