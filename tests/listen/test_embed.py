"""Embeddings: what they must not hear (level, place in the take) and what they must (colour, attack)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.listen.sounds import RATE_HZ, take, tone
from triage.domain.errors import AudioError
from triage.listen.embed import N_CEPSTRA, FixedEmbedding
from triage.listen.logmel import N_MELS, LogMel
from triage.listen.notes import NoteSegment

ENCODER = FixedEmbedding()


def note(start_s, end_s):
    return NoteSegment(start_s, end_s, end_s + 0.3, -20.0)


def vector(wave, start_s=0.5, length_s=0.8):
    frames = LogMel(RATE_HZ)(np.asarray(wave)[None])[0]
    return ENCODER.embed(frames, [note(start_s, start_s + length_s)])[0]


def played(f0_hz=220.0, start_s=0.5, seed=0, floor_db=-90.0, **tone_is):
    return take([(start_s, tone(f0_hz, 0.85, **tone_is))], 2.0, floor_db=floor_db, seed=seed)


def test_one_vector_a_note_of_the_promised_size():
    vectors = ENCODER.embed(np.full((N_MELS, 300), -80.0, np.float32), [note(0.5, 1.0), note(1.2, 1.3)])
    assert vectors.shape == (2, ENCODER.dimension) == (2, 6 * N_CEPSTRA)
    assert vectors.dtype == np.float32
    assert ENCODER.embed(np.zeros((N_MELS, 10)), []).shape == (0, ENCODER.dimension)


@pytest.mark.parametrize("gain_db", [-20.0, -6.0, 12.0])
def test_gain_changes_nothing(gain_db):
    # floor and gain keep every band above the transform's own end at -120 dB; the rest is rounding of some tens
    wave = played(floor_db=-70.0)
    assert vector(10 ** (gain_db / 20) * wave) == pytest.approx(vector(wave), abs=0.01)


def test_the_place_in_the_take_changes_nothing():
    late = np.concatenate((played(seed=1)[: RATE_HZ // 2], played()))
    assert vector(late, start_s=1.0) == pytest.approx(vector(played()), abs=0.01)


def test_a_floor_far_below_the_note_changes_little():
    assert vector(played(floor_db=-90.0)) == pytest.approx(vector(played(floor_db=-100.0)), abs=0.1)


def test_other_colours_and_attacks_are_further_away_than_another_take_of_the_same():
    first, again = vector(played(seed=1)), vector(played(seed=2, f0_hz=220.4, level_db=-14.0))
    same = np.linalg.norm(first - again)
    for other in (
        played(n_partials=3),  # duller
        played(attack_s=0.3),  # softer attack
        played(f0_hz=247.0),
        played(release_s=0.5),
    ):
        assert np.linalg.norm(first - vector(other)) > 3 * same


def test_coefficients_of_a_flat_and_of_a_waved_spectrum():
    # known answer: all bands at the peak give zeros; a cosine of q half waves over the bands gives coefficient q
    assert ENCODER.embed(np.full((N_MELS, 300), -20.0), [note(0.5, 1.5)]) == pytest.approx(0.0, abs=1e-6)
    wave = 10 * np.cos(np.pi * 5 * (np.arange(N_MELS) + 0.5) / N_MELS)
    found = ENCODER.embed(np.repeat(wave[:, None], 300, axis=1), [note(0.5, 1.5)]).reshape(6, N_CEPSTRA)
    expected = np.zeros(N_CEPSTRA)
    expected[5] = np.sqrt(N_MELS / 2)  # of 10 dB
    expected[0] = -wave.max() / 10 * np.sqrt(N_MELS)
    assert found == pytest.approx(np.tile(expected, (6, 1)), abs=1e-5)


def test_nothing_counts_below_60_db_under_the_peak():
    frames = np.full((N_MELS, 300), -70.0)
    frames[10] = 0.0
    deeper = np.where(frames < -1, -110.0, frames)
    assert (ENCODER.embed(frames, [note(0.5, 1.5)]) == ENCODER.embed(deeper, [note(0.5, 1.5)])).all()


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 60), st.floats(0, 1), st.floats(0, 2))
def test_notes_at_any_place_of_any_take_have_a_finite_vector(n_frames, start_s, length_s):
    frames = np.random.default_rng(n_frames).uniform(-120, 0, (N_MELS, n_frames)).astype(np.float32)
    found = ENCODER.embed(frames, [note(start_s, start_s + length_s)])
    assert np.isfinite(found).all()


@pytest.mark.parametrize("frames", [np.zeros((300, N_MELS)), np.zeros(N_MELS), np.zeros((1, N_MELS, 300))])
def test_frames_of_another_shape_are_refused(frames):
    with pytest.raises(AudioError, match=r"expected \(80, frame\)"):
        ENCODER.embed(frames, [])
