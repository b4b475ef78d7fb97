import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.domain.errors import AudioError, SheetError
from triage.domain.pitch import hz_to_midi, midi_to_hz, parse_pitch, pitch_name

# Computed from ISO 16:1975 (A4 = 440 Hz, MIDI 69) and equal temperament; four decimals as printed.
TABLE = [
    ("A0", 21, 27.5),
    ("D1", 26, 36.7081),
    ("Bb1", 34, 58.2705),
    ("F#3", 54, 184.9972),
    ("C4", 60, 261.6256),
    ("A4", 69, 440.0),
    ("Bb4", 70, 466.1638),
    ("D6", 86, 1174.6591),
]


@pytest.mark.parametrize("name, midi, hz", TABLE)
def test_names_numbers_and_frequencies_agree_with_the_published_table(name, midi, hz):
    assert parse_pitch(name) == parse_pitch(str(midi)) == midi
    assert midi_to_hz(midi) == pytest.approx(hz, abs=5e-5)
    assert hz_to_midi(hz) == pytest.approx(midi, abs=1e-4)


# The octave belongs to the letter (scientific pitch notation): B#3 sounds as C4.
@pytest.mark.parametrize(
    "name, midi",
    [
        ("B#3", 60),
        ("Cb4", 59),
        ("c4", 60),
        ("bb3", 58),
        ("F♯3", 54),
        ("B♭3", 58),
        ("F##3", 55),
        ("Ebb4", 62),
        ("C-1", 0),
        ("G9", 127),
        (" 53 ", 53),
    ],
)
def test_spellings_of_one_pitch_are_one_number(name, midi):
    assert parse_pitch(name) == midi


def test_the_octave_of_middle_c_is_a_convention():
    assert parse_pitch("C3", middle_c_octave=3) == 60
    assert pitch_name(60, middle_c_octave=3) == "C3"
    assert parse_pitch("60", middle_c_octave=3) == 60


@pytest.mark.parametrize("text", ["H3", "F", "", "F#", "3F", "F#b3", "53.5", "5_3", "٥٣", "F3 G3", "C99"])
def test_what_is_no_pitch_is_refused_with_its_text(text):
    with pytest.raises(SheetError, match=r"pitch|MIDI") as error:
        parse_pitch(text)
    assert repr(text) in str(error.value)


@pytest.mark.parametrize("text", ["128", "-1", "C-2", "G#9"])
def test_a_pitch_outside_midi_is_refused(text):
    with pytest.raises(SheetError, match="outside 0 to 127"):
        parse_pitch(text)


@given(st.integers(0, 127), st.integers(3, 5))
def test_a_name_reads_back_as_its_number(midi, middle_c_octave):
    assert parse_pitch(pitch_name(midi, middle_c_octave), middle_c_octave) == midi


@given(st.floats(0, 127), st.floats(380, 500))
def test_hz_reads_back_as_its_number_at_any_tuning(midi, a4_hz):
    assert hz_to_midi(midi_to_hz(midi, a4_hz), a4_hz) == pytest.approx(midi, abs=1e-9)


# Computed, 1200 log2(442 / 440).
def test_a_tuning_of_442_hz_is_7_851_cents_sharp():
    assert 100 * (hz_to_midi(442.0) - 69) == pytest.approx(7.851, abs=5e-4)


@pytest.mark.parametrize("hz", [0.0, -1.0, math.nan])
def test_no_frequency_has_no_pitch(hz):
    with pytest.raises(AudioError, match="more than 0 Hz"):
        hz_to_midi(hz)
