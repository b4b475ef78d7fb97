"""Names of pitches on paper: MIDI in, the name out that every other part of the tool uses (middle C is C4)."""

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def pitch_name(midi: int) -> str:
    """Return the name of a sounding pitch, 69 = A4."""
    return f"{NAMES[midi % 12]}{midi // 12 - 1}"
