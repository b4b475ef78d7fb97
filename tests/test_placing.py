"""Placing: notes on the sheet's pitches, and sheets that are off by a constant."""

import csv

import numpy as np
import pytest
import soundfile

from triage.domain.note import Note
from triage.domain.take import Take
from triage.listen.measure import measure
from triage.listen.notes import NoteSegment
from triage.ranking.findings import findings_of
from triage.ranking.placing import place


def take(name, hz, pitches, repetitions=1, instrument="horn"):
    notes = tuple(Note(i, 2.0 * i, 2.0 * i + 1, measurements={"f0_hz": f}) for i, f in enumerate(hz, 1))
    row = {"expected_pitches": pitches, "repetitions": repetitions}
    return Take(name, "f", instrument, "staccato", "ff", notes=notes, **row)


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


def test_a_wrong_note_is_measured_from_the_expected_pitch():
    (placed,), _, _ = place([take("T001", [midi_hz(60), midi_hz(61), midi_hz(64)], (60, 62, 64))], 440.0)
    assert [round(note.measurements["cents"]) for note in placed.notes] == [0, -100, 0]


def test_a_missing_note_is_named_and_the_rest_keeps_its_place():
    _, missing, _ = place([take("T001", [midi_hz(60), midi_hz(60), midi_hz(64)], (60, 62, 64), 2)], 440.0)
    assert missing == {"T001": [62, 62, 64]}


def test_a_sheet_in_written_pitch_is_noticed_once_and_shifted():
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


ROW = (60, 62, 64)


def whole_take(above, pitches=ROW, name="T009", **changes):
    return take(name, [midi_hz(p + above + 0.1) for p in pitches], pitches, **changes)


def octave_lines(takes):
    placed, missing, _ = place(takes, 440.0)
    found = findings_of(placed, {}, missing, {})
    return placed, [(one.spot.take, one.spot.why) for one in found if one.basis == "octave"]


@pytest.mark.parametrize(
    "above, words",
    [(12, "an octave above"), (-12, "an octave below"), (24, "2 octaves above"), (-24, "2 octaves below")],
)
@pytest.mark.parametrize("pitches", [ROW, (60, 72), tuple(range(48, 73)), (60, 60)])
def test_a_take_that_sounds_octaves_off_its_row_is_a_finding(above, words, pitches):
    takes = [whole_take(0, ROW, f"T00{n}") for n in range(9)] + [whole_take(above, pitches)]
    placed, lines = octave_lines(takes)
    assert lines == [
        ("T009", f"every note sounds {words} the pitches on the sheet: correct the row or record it again")
    ]
    notes = placed[-1].notes
    assert [note.sheet_midi for note in notes] == list(pitches)
    assert [note.pitch_midi for note in notes] == [p + above for p in pitches]
    assert [note.measurements["cents"] for note in notes] == pytest.approx([10.0] * len(notes))


def test_one_slip_of_the_detector_in_many_notes_hides_no_octave():
    hz = [midi_hz(72)] * 10 + [midi_hz(60)]
    _, lines = octave_lines([whole_take(0, ROW, f"T00{n}") for n in range(9)] + [take("T009", hz, (60,), 11)])
    assert [name for name, _ in lines] == ["T009"]


def test_an_instrument_whose_sheet_is_an_octave_off_throughout_gives_one_line_and_no_finding():
    takes = [whole_take(12, ROW, f"T00{n}") for n in range(4)]
    assert octave_lines(takes)[1] == [] and "12 semitones above" in place(takes, 440.0)[2][0]


def test_a_single_note_an_octave_off_is_a_wrong_note():
    placed, lines = octave_lines([take("T001", [midi_hz(60), midi_hz(74.1), midi_hz(64)], ROW)])
    assert [round(note.measurements["cents"]) for note in placed[0].notes] == [0, 1210, 0] and lines == []
    (placed,), lines = octave_lines([take("T001", [midi_hz(48)], (60,))])
    assert placed.notes[0].measurements["cents"] == pytest.approx(-1200.0) and lines == []


def test_a_single_note_two_octaves_off_is_taken_for_the_detectors_slip():
    (placed,), lines = octave_lines([take("T001", [midi_hz(60), midi_hz(38.1), midi_hz(64)], ROW)])
    assert [round(note.measurements["cents"]) for note in placed.notes] == [0, 10, 0] and lines == []


def test_where_the_row_asks_for_both_octaves_one_off_is_taken_for_the_detectors_slip():
    (placed,), lines = octave_lines([take("T001", [midi_hz(p) for p in (72.1, 64, 72)], (60, 64, 72))])
    assert [note.measurements["cents"] for note in placed.notes] == pytest.approx([10, 0, 0]) and lines == []


def test_good_notes_of_recorded_instruments_seldom_come_out_an_octave_off(recordings):
    # All of tuba and double bass with the pitch on the sheet: 1 of 471, measured once; here every 36th.
    with open(recordings / "notes.csv", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["instrument"] in ("tuba", "double-bass")][::36]
    off = []
    for row in rows:
        samples, rate_hz = soundfile.read(recordings / row["path"], always_2d=True, frames=4 * 44_100)
        hz = 440.0 * 2 ** ((int(row["midi_pitch"]) - 69) / 12)
        note = NoteSegment(0.0, len(samples) / rate_hz, len(samples) / rate_hz, 0.0)
        off.append(1200 * np.log2(measure(samples[:, 0], rate_hz, note, -80.0, [hz])["f0_hz"] / hz))
    assert len(off) > 20 and (np.abs(off) < 600).all()


def test_an_unpitched_note_has_no_cents():
    (placed,), _, _ = place([take("T001", [None, midi_hz(62)], (60, 62))], 440.0)
    assert placed.notes[0].sheet_midi == 60
    assert placed.notes[0].measurements["cents"] != placed.notes[0].measurements["cents"]  # NaN
