"""Spurious notes: a knock among a take's notes, and notes that only differ in pitch."""

import numpy as np
import pytest

from tests.listen.sounds import RATE_HZ, floor, span_of, take, tone
from triage.listen.logmel import LogMel
from triage.listen.notes import find_notes
from triage.listen.spurious_notes import likeness, without_spurious

PITCHES_HZ = (196.0, 207.7, 220.0, 233.1, 246.9)


def cut(with_knock):
    notes = [(0.5 + 1.5 * k, tone(hz, 0.7)) for k, hz in enumerate(PITCHES_HZ)]
    if with_knock:
        t = np.arange(RATE_HZ // 4) / RATE_HZ
        notes.append((3.05, 0.3 * np.exp(-t / 0.04) * floor(0.25, level_db=-8.0, seed=4)))
    wave = take(notes, 8.5)
    frames = LogMel(RATE_HZ)(wave[None])[0]
    return frames, find_notes(frames, span_of(wave), RATE_HZ)[0]


def test_notes_of_neighbouring_pitches_are_alike():
    frames, notes = cut(with_knock=False)
    assert len(notes) == 5
    assert likeness(frames, notes).min() > 0.7
    assert without_spurious(frames, notes, 5) == notes
    assert without_spurious(frames, notes, 0) == notes
    assert without_spurious(frames, notes, 3) == notes  # two too many, and both of them notes


def test_a_knock_as_loud_as_a_note_is_no_note_where_the_sheet_asks_for_fewer():
    frames, notes = cut(with_knock=True)
    assert len(notes) == 6
    kept = without_spurious(frames, notes, 5)
    assert len(kept) == 5
    assert all(abs(note.start_s - 3.05) > 0.1 for note in kept)


def test_few_notes_tell_nothing():
    frames, notes = cut(with_knock=True)
    assert likeness(frames, notes[:3]) == pytest.approx([1.0, 1.0, 1.0])
    assert without_spurious(frames, [], 2) == []
