"""Public recordings: what is listed, at which pitch, for which side; what is left out."""

import os
from pathlib import Path

import numpy as np
import pytest

from tests.training.public_folder import RATE_HZ, tone, write_public
from training.public_recordings import FAMILIES, LICENCES, Recording, read_public, tuning_cents

REAL = os.environ.get("TRIAGE_PUBLIC_RECORDINGS")


@pytest.fixture(scope="module")
def listed(tmp_path_factory) -> tuple[list[Recording], dict[Path, str]]:
    return read_public(write_public(tmp_path_factory.mktemp("public")))


def one(recordings: list[Recording], name: str) -> Recording:
    return next(recording for recording in recordings if recording.path.name == name)


def test_every_collection_is_listed_with_its_licence(listed):
    recordings, _ = listed
    assert {recording.source for recording in recordings} == set(LICENCES)
    assert "Xavier Hosxe" in one(recordings, "nor_p_1_1.flac").licence
    assert {recording.kind for recording in recordings if "_b_" in recording.path.name} == {"breath"}
    assert one(recordings, "alt_k_01.flac").kind == "key"


def test_a_note_is_listed_at_the_pitch_that_sounds_whatever_octave_its_name_says(listed):
    recordings, _ = listed
    assert one(recordings, "c1_vl4_rr2.wav").midi == 36  # c1 is named as MIDI 24
    assert one(recordings, "d3_ff_rr1.wav").midi == 38  # d3 is named as MIDI 50
    assert one(recordings, "c1_vl4_rr2.wav").repetition == 2
    assert one(recordings, "nor_p_1_1.flac").tuning_cents == pytest.approx(12, abs=1)


def test_a_note_unlike_its_name_is_left_out_with_the_reason(listed):
    recordings, unusable = listed
    assert [(path.name, "+500 cents" in reason) for path, reason in unusable.items()] == [("note-59.flac", True)]
    assert all(recording.path not in unusable for recording in recordings)


def test_whole_families_are_kept_for_testing(listed):
    recordings, _ = listed
    sides = {
        family: {recording.for_testing for recording in recordings if recording.family == family}
        for family in ("brass", "flute", "double reed", "strings", "bass guitar")
    }
    assert sides == {
        "brass": {True},
        "flute": {True},
        "double reed": {True},
        "strings": {False},
        "bass guitar": {False},
    }
    assert one(recordings, "alt_f_01.flac").for_testing
    assert not one(recordings, "ten_b_01.flac").for_testing


def test_one_side_alone_is_read(tmp_path):
    recordings, _ = read_public(write_public(tmp_path), for_testing=False)
    assert recordings and not any(recording.for_testing for recording in recordings)


@pytest.mark.parametrize("cents", [-40.0, 0.0, 3.0, 25.0])
@pytest.mark.parametrize("midi", [31, 48, 76])
def test_tuning_is_measured_to_a_cent(midi, cents):
    assert tuning_cents(tone(midi + cents / 100), RATE_HZ, midi) == pytest.approx(cents, abs=1)


def test_an_octave_off_shows_and_noise_has_no_pitch():
    assert tuning_cents(tone(60), RATE_HZ, 48) == pytest.approx(1200, abs=2)
    assert np.isnan(tuning_cents(np.random.default_rng(0).standard_normal(RATE_HZ), RATE_HZ, 60))


@pytest.mark.skipif(not REAL, reason="TRIAGE_PUBLIC_RECORDINGS names no folder")
def test_the_real_collections_hold_every_family():
    recordings, unusable = read_public(Path(REAL or ""))
    assert {recording.family for recording in recordings} == set(FAMILIES.values())
    assert len(unusable) < 0.2 * len(recordings)
    kinds = {(recording.kind, recording.for_testing) for recording in recordings}
    assert kinds >= {(kind, side) for kind in ("note", "breath", "key") for side in (True, False)}
