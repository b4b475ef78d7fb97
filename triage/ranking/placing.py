"""Placing: the notes of every take put on the take sheet's pitches.

Takes come in as they were heard; they go out with each note's pitch on the sheet and its distance in cents,
with the pitches that no note was found for, and a line for each instrument whose sheet is off by a constant.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from triage.domain.note import Note
from triage.domain.pitch import hz_to_midi
from triage.domain.take import Take
from triage.judge.alignment import align, sheet_offset

OCTAVE_CENTS = 60.0  # this near to a whole number of octaves off the sheet


def place(takes: Sequence[Take], a4_hz: float) -> tuple[list[Take], dict[str, list[int]], list[str]]:
    """Put the notes of every take on the take sheet's pitches.

    Returns
    -------
    takes : list of Take
        With pitch_midi, sheet_midi and cents filled in.
    missing : dict of str to list of int
        For each take the MIDI pitches that no note was found for.
    problems : list of str
        One line an instrument whose sheet is off by a constant.
    """
    offsets, problems = _offsets(takes, a4_hz)
    placed, missing = [], {}
    for take in takes:
        meant = tuple(p + offsets.get(take.instrument or "", 0) for p in expected(take))
        found = np.array([to_midi(note, a4_hz) for note in take.notes])
        places, gaps = align(found, meant) if meant else ([None] * len(found), [])
        notes = [
            _placed(note, midi, None if at is None else meant[at])
            for note, midi, at in zip(take.notes, found, places, strict=True)
        ]
        placed.append(replace(take, notes=tuple(notes)))
        if gaps:
            missing[take.name] = [meant[at] for at in gaps]
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
        meant = expected(take)
        if meant and len(meant) == len(take.notes):
            away = [to_midi(note, a4_hz) - midi for note, midi in zip(take.notes, meant, strict=True)]
            differences.setdefault(take.instrument or "", []).extend(away)
    offsets = {name: sheet_offset(np.array(away)) for name, away in differences.items()}
    lines = [
        f"take sheet: {name or 'the notes'} sound {abs(by)} semitones {'above' if by > 0 else 'below'} the pitches "
        "on the sheet throughout; taken as written pitch (correct the sheet or middle_c_octave to silence this)"
        for name, by in sorted(offsets.items())
        if by
    ]
    return {name: by for name, by in offsets.items() if by}, lines


def _placed(note: Note, midi: float, meant: int | None) -> Note:
    known = np.isfinite(midi)
    pitch = meant if meant is not None else (round(midi) if known else None)
    cents = 100 * (midi - pitch) if known and pitch is not None else np.nan
    octaves = round(cents / 1200) if np.isfinite(cents) else 0
    if octaves and abs(cents - 1200 * octaves) < OCTAVE_CENTS:
        cents -= 1200 * octaves  # more often the ear's slip than the player's
    return replace(note, pitch_midi=pitch, sheet_midi=meant, measurements={**note.measurements, "cents": cents})
