"""Placing: notes on the sheet's pitches, and sheets that are off by a constant."""

import pytest

from triage.domain.note import Note
from triage.domain.take import Take
from triage.ranking.placing import place


def take(name, hz, pitches, repetitions=1, instrument="horn"):
    notes = tuple(Note(i, 2.0 * i, 2.0 * i + 1, measurements={"f0_hz": f}) for i, f in enumerate(hz, 1))
    meant = {"expected_pitches": pitches, "repetitions": repetitions}
    return Take(name, "f", instrument, "staccato", "ff", notes=notes, **meant)


def midi_hz(midi, a4_hz=440.0):
    return a4_hz * 2 ** ((midi - 69) / 12)  # ISO 16 for 440 Hz; equal temperament


def test_cents_are_from_the_sheets_pitch_at_the_sessions_a4():
    # computed: 442 Hz against 440 Hz is 7.851 cents
    (placed,), _, _ = place([take("T001", [442.0], (69,))], 440.0)
    assert placed.notes[0].measurements["cents"] == pytest.approx(7.851, abs=0.001)
    (tuned,), _, _ = place([take("T001", [442.0], (69,))], 442.0)
    assert tuned.notes[0].measurements["cents"] == pytest.approx(0.0, abs=1e-9)


def test_without_a_sheet_the_nearest_pitch_counts():
    (placed,), missing, _ = place([take("T001", [midi_hz(60.3)], ())], 440.0)
    assert (placed.notes[0].pitch_midi, placed.notes[0].sheet_midi) == (60, None)
    assert placed.notes[0].measurements["cents"] == pytest.approx(30.0)
    assert missing == {}


def test_a_wrong_note_is_measured_from_what_was_meant():
    (placed,), _, _ = place([take("T001", [midi_hz(60), midi_hz(61), midi_hz(64)], (60, 62, 64))], 440.0)
    assert [round(note.measurements["cents"]) for note in placed.notes] == [0, -100, 0]


def test_a_missing_note_is_named_and_the_rest_keeps_its_place():
    _, missing, _ = place([take("T001", [midi_hz(60), midi_hz(60), midi_hz(64)], (60, 62, 64), 2)], 440.0)
    assert missing == {"T001": [62, 62, 64]}


def test_a_sheet_in_written_pitch_is_noticed_once_and_taken_as_meant():
    written = [take(f"T{i:03d}", [midi_hz(p - 7) for p in (60, 62, 64)], (60, 62, 64)) for i in range(3)]
    placed, missing, lines = place(written, 440.0)
    assert len(lines) == 1 and "7 semitones below" in lines[0]
    assert not missing
    assert all(abs(note.measurements["cents"]) < 1e-6 for one in placed for note in one.notes)


def test_one_wrong_take_does_not_move_the_sheet():
    takes = [take(f"T{i:03d}", [midi_hz(p) for p in (60, 62, 64)], (60, 62, 64)) for i in range(4)]
    takes.append(take("T009", [midi_hz(p + 1) for p in (60, 62, 64)], (60, 62, 64)))
    placed, _, lines = place(takes, 440.0)
    assert lines == []
    assert [round(note.measurements["cents"]) for note in placed[-1].notes] == [100, 100, 100]


def test_an_octave_off_is_taken_for_the_ears_slip():
    (placed,), _, _ = place([take("T001", [midi_hz(72.1)], (60,))], 440.0)
    assert placed.notes[0].measurements["cents"] == pytest.approx(10.0)


def test_an_unpitched_note_has_no_cents():
    (placed,), _, _ = place([take("T001", [None, midi_hz(62)], (60, 62))], 440.0)
    assert placed.notes[0].sheet_midi == 60
    assert placed.notes[0].measurements["cents"] != placed.notes[0].measurements["cents"]  # NaN
