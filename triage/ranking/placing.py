"""Placing: the notes of every take put on the take sheet's pitches.

Takes come in as they were measured; they go out with each note's pitch on the sheet and its distance in cents,
with the pitches that no note was found for, and a line for each instrument whose sheet is off by a constant.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from triage.domain.note import Note
from triage.domain.pitch import hz_to_midi
from triage.domain.take import Take
from triage.judge.alignment import align, sheet_offset

NEAR_CENTS = 60.0  # this near to a pitch, or to a whole number of octaves from it
OCTAVES = (-2, -1, 1, 2)
OCTAVE_SHARE = 0.9  # of a take's notes: all but a slip of the pitch detector


def place(takes: Sequence[Take], a4_hz: float) -> tuple[list[Take], dict[str, list[int]], list[str]]:
    """Put the notes of every take on the take sheet's pitches.

    Returns
    -------
    takes : list of Take
        With pitch_midi, sheet_midi and cents filled in. pitch_midi is the sheet's pitch, or the pitch that sounds
        where the whole take is octaves off its row; without a sheet it is the nearest.
    missing : dict of str to list of int
        For each take the MIDI pitches that no note was found for.
    problems : list of str
        One line an instrument whose sheet is off by a constant.
    """
    offsets, problems = _offsets(takes, a4_hz)
    placed, missing = [], {}
    for take in takes:
        row = tuple(p + offsets.get(take.instrument or "", 0) for p in expected(take))
        found = np.array([to_midi(note, a4_hz) for note in take.notes])
        above = 12 * _octaves_off(found, row)
        places, gaps = align(found - above, row) if row else ([None] * len(found), [])
        notes = [
            _placed(note, midi, None if at is None else row[at], above, row)
            for note, midi, at in zip(take.notes, found, places, strict=True)
        ]
        placed.append(replace(take, notes=tuple(notes)))
        if gaps:
            missing[take.name] = [row[at] for at in gaps]
    return placed, missing, problems


def expected(take: Take) -> tuple[int, ...]:
    """Return the MIDI pitch of each note that the sheet asks for, repetitions written out."""
    return tuple(pitch for pitch in take.expected_pitches for _ in range(take.repetitions or 1))


def to_midi(note: Note, a4_hz: float) -> float:
    """Return a note's pitch as a fractional MIDI number at the session's A4; NaN where it has none."""
    f0_hz = note.measurements.get("f0_hz")
    return hz_to_midi(f0_hz, a4_hz) if f0_hz and f0_hz > 0 else np.nan


def _offsets(takes: Sequence[Take], a4_hz: float) -> tuple[dict[str, int], list[str]]:
    """Return by how many semitones each instrument sounds off its sheet, and a line for each that does."""
    differences: dict[str, list[float]] = {}
    for take in takes:
        row = expected(take)
        if row and len(row) == len(take.notes):
            away = [to_midi(note, a4_hz) - midi for note, midi in zip(take.notes, row, strict=True)]
            differences.setdefault(take.instrument or "", []).extend(away)
    offsets = {name: sheet_offset(np.array(away)) for name, away in differences.items()}
    lines = [
        f"take sheet: {name or 'the notes'} sound {abs(by)} semitones {'above' if by > 0 else 'below'} the pitches "
        "on the sheet throughout; taken as written pitch (correct the sheet or middle_c_octave to silence this)"
        for name, by in sorted(offsets.items())
        if by
    ]
    return {name: by for name, by in offsets.items() if by}, lines


def _octaves_off(found: np.ndarray, row: tuple[int, ...]) -> int:
    """Return by how many octaves all notes of a take, at least two, sound above its sheet row; 0 if they do not.

    Parameters
    ----------
    found : ndarray, shape (note,)
        Fractional MIDI pitches, NaN where a note has none.
    row : tuple of int
        The row's MIDI pitches, repetitions written out.
    """
    known = int(np.isfinite(found).sum())
    if known < 2 or not row:
        return 0
    least = max(2, OCTAVE_SHARE * max(known, len(row)))
    asked = np.unique(row)
    for octaves in (0, *OCTAVES):
        sounds = found - 12 * octaves
        on_row = 100 * np.abs(sounds[:, None] - asked).min(axis=1) < NEAR_CENTS  # an alignment takes long
        if on_row.sum() >= least and _right(sounds, row) >= least:
            return octaves
    return 0


def _right(found: np.ndarray, row: tuple[int, ...]) -> int:
    """Return how many notes are on the pitch that the alignment gives them."""
    pairs = zip(found, align(found, row)[0], strict=True)
    return sum(at is not None and 100 * abs(midi - row[at]) < NEAR_CENTS for midi, at in pairs)


def _placed(note: Note, midi: float, sheet_midi: int | None, above: int, row: tuple[int, ...]) -> Note:
    """Return a note with its pitch and its distance from it.

    ``above`` is how many semitones the whole take sounds above its row. A single note that sounds octaves away is a
    wrong note, unless the row asks for that pitch too: measuring settles an unclear octave on the row's pitches
    (``listen/measure.py``), so there it may be an error of the pitch detector. So it is at two octaves or more, which
    hardly anybody plays by mistake: of 1600 good notes 3 were measured about two octaves away and none one octave.
    """
    known = np.isfinite(midi)
    pitch = sheet_midi + above if sheet_midi is not None else (round(midi) if known else None)
    cents = 100 * (midi - pitch) if known and pitch is not None else np.nan
    octaves = round(cents / 1200) if np.isfinite(cents) else 0
    near = octaves and abs(cents - 1200 * octaves) < NEAR_CENTS
    if near and pitch is not None and (abs(octaves) > 1 or pitch + 12 * octaves - above in row):
        cents -= 1200 * octaves
    return replace(note, pitch_midi=pitch, sheet_midi=sheet_midi, measurements={**note.measurements, "cents": cents})
