import string
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.domain.errors import ConfigError
from triage.intake.names import NamePattern

MICS = ("close", "room", "b_close")
# Anything a file name may hold, separators of the patterns below left to the tests that are about them.
WORDS = st.text(string.ascii_letters + string.digits + " .+()[]*?^$|äß-", min_size=1, max_size=12)


def test_a_take_may_contain_the_separator_where_mics_are_known():
    pattern = NamePattern("{take}_{mic}.wav", ["close", "room"])
    assert pattern.match("T001_b_close.wav") == {"take": "T001_b", "mic": "close"}


def test_of_two_mics_that_fit_the_longer_is_meant():
    assert NamePattern("{take}_{mic}.wav", MICS).match("T001_b_close.wav") == {"take": "T001", "mic": "b_close"}


def test_a_take_of_the_sheet_decides_between_splits():
    plain = NamePattern("{take}_{articulation}_{mic}.wav", MICS)
    assert plain.match("T_01_long_room.wav") == {"take": "T", "articulation": "01_long", "mic": "room"}
    told = NamePattern("{take}_{articulation}_{mic}.wav", MICS, takes=["T_01"])
    assert told.match("T_01_long_room.wav") == {"take": "T_01", "articulation": "long", "mic": "room"}
    assert told.match("T_02_long_room.wav") is not None  # not on the sheet, still named


def test_a_pitch_looks_like_a_pitch_where_it_can():
    pattern = NamePattern("{take}_{pitch}_{repetition}.wav")
    assert pattern.match("T_01_F#3_2.wav") == {"take": "T_01", "pitch": "F#3", "repetition": "2"}
    assert pattern.match("T01_Fs3_x.wav") == {"take": "T01", "pitch": "Fs3", "repetition": "x"}


@pytest.mark.parametrize(
    "path, fits",
    [
        ("T1_close.WAV", True),
        ("T1_close.Wav", True),
        ("T1_Close.wav", False),
        ("T1_close.flac", True),
        ("T1_close.AIF", True),
        ("T1_close.mp3", False),
        ("T1_close_wav", False),
        ("T1_closeXwav", False),
        ("_close.wav", False),
        ("a/T1_close.wav", False),
        ("T1_close.wav.bak", False),
        ("T1_spot.wav", False),
    ],
)
def test_only_the_extension_is_free_among_those_of_recordings(path, fits):
    assert (NamePattern("{take}_{mic}.wav", MICS).match(path) is not None) == fits


def test_a_pattern_may_hold_folders_and_a_field_twice():
    pattern = NamePattern("{instrument}/{take}/{take}-{mic}.flac", MICS)
    assert pattern.match("horn/T1/T1-room.flac") == {"instrument": "horn", "take": "T1", "mic": "room"}
    assert pattern.match("horn/T1/T2-room.flac") is None


def test_text_between_fields_is_literal():
    assert NamePattern("x.{take}(+).wav").match("x.T1(+).wav") == {"take": "T1"}
    assert NamePattern("x.{take}(+).wav").match("xyT1(+).wav") is None


def test_decomposed_accents_of_a_copied_disk_still_fit():
    pattern = NamePattern("{take}_{mic}.wav", ["hörner"], takes=["Über1"])
    found = pattern.match(unicodedata.normalize("NFD", "Über1_hörner.wav"))
    assert found == {"take": "Über1", "mic": "hörner"}


@pytest.mark.parametrize(
    "pattern, says",
    [
        ("{take}_{microphone}.wav", "unknown field {microphone}; known fields: take mic"),
        ("{mic}.wav", "no {take}"),
        ("{take}_{mic.wav", "brace stands alone"),
        ("take}.wav", "brace stands alone"),
        ("{take}{mic}.wav", "two fields touch"),
        ("../{take}.wav", "inside files.folder"),
        ("/{take}.wav", "inside files.folder"),
        ("a\\{take}.wav", "inside files.folder"),
        ("{}_{take}", "unknown field {}"),
    ],
)
def test_a_pattern_that_cannot_be_used_is_refused(pattern, says):
    with pytest.raises(ConfigError) as error:
        NamePattern(pattern)
    assert says in str(error.value)


def test_a_name_of_nothing_but_separators_is_refused_at_once():
    pattern = NamePattern("{take}_{instrument}_{articulation}_{dynamic}_{pitch}_{repetition}_{mic}.wav")
    # 250 choose 6 splits would take longer than the session.
    assert pattern.match("_" * 250) is None


@given(take=WORDS, mic=WORDS, other=WORDS)
def test_a_formatted_name_matches_as_what_it_was_formed_of(take, mic, other):
    pattern = "{take}_{mic}.wav"
    found = NamePattern(pattern, [mic, other]).match(pattern.format(take=take, mic=mic))
    assert found == {key: unicodedata.normalize("NFC", value) for key, value in (("take", take), ("mic", mic))}


@given(st.lists(st.text("ab_", min_size=1, max_size=6), min_size=1, max_size=4), st.data())
def test_a_known_take_is_found_whatever_it_contains(takes, data):
    take, mic = data.draw(st.sampled_from(takes)), data.draw(st.sampled_from(("close", "room")))
    found = NamePattern("{take}_{mic}.wav", ("close", "room"), takes).match(f"{take}_{mic}.wav")
    assert found == {"take": take, "mic": mic}  # no mic holds the separator: one split only


@given(st.text(max_size=60))
def test_any_text_either_fits_or_does_not(text):
    found = NamePattern("{take}_{mic}.wav", MICS).match(text)
    assert found is None or (found["mic"] in MICS and "/" not in found["take"])
