"""Microphones against each other: planted delays and polarities, each microphone with a room response of its own."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from tests.listen.sounds import RATE_HZ, floor, tone
from triage.domain.errors import AudioError
from triage.listen.mics import REACH_S, match

PITCHES_HZ = [98.0, 130.8, 174.6, 293.7]


def note(f0_hz, rate_hz, seed):
    """An attack as a microphone hears it: 0.1 s of quiet, then a tone with some breath in it."""
    wave = np.zeros(round(0.6 * rate_hz))
    sound = tone(f0_hz, 0.45, rate_hz, n_partials=30)
    sound += 0.03 * floor(0.45, rate_hz, 0.0, seed) * np.exp(-np.arange(len(sound)) / (0.05 * rate_hz))
    wave[round(0.1 * rate_hz) :][: len(sound)] = sound
    return wave


def response(rate_hz, seed, reverberation_s=0.8, wet_db=-6.0):
    """Direct sound, then a tail of noise of its own for each microphone."""
    t = np.arange(round(0.4 * rate_hz)) / rate_hz
    tail = np.random.default_rng(seed).standard_normal(len(t)) * 10 ** (-3 * t / reverberation_s)
    tail[: round(0.002 * rate_hz)] = 0
    tail *= 10 ** (wet_db / 20) / np.sqrt((tail**2).sum())
    tail[0] = 1.0
    return tail


def heard(wave, room, delay_s, rate_hz, seed):
    """The wave in a room, delayed (negative: the other is later), over a floor."""
    late = signal.fftconvolve(wave, room)[: len(wave)]
    shift = round(delay_s * rate_hz)
    late = np.pad(late, (max(shift, 0), max(-shift, 0)))[max(-shift, 0) :][: len(wave)]
    return late + floor(len(wave) / rate_hz, rate_hz, -75.0, seed)[: len(wave)]


def pairs(delay_s, sign, rate_hz=RATE_HZ, wet_db=-6.0, pitches_hz=PITCHES_HZ):
    rooms = response(rate_hz, 1, wet_db=wet_db), response(rate_hz, 2, wet_db=wet_db)
    made = []
    for seed, f0_hz in enumerate(pitches_hz):
        wave = note(f0_hz, rate_hz, seed)
        first = heard(wave, rooms[0], 0.0, rate_hz, 10 + seed)
        made.append((first, sign * 0.5 * heard(wave, rooms[1], delay_s, rate_hz, 20 + seed)))
    return made


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("delay_s", [-0.03, -0.0041, 0.0, 0.0008, 0.012, 0.03])
def test_delay_and_polarity_are_found_in_rooms(delay_s, rate_hz):
    made = pairs(delay_s, 1, rate_hz)
    for sign in (1, -1):
        found = match([(first, sign * second) for first, second in made], rate_hz)
        assert found.lag_s == pytest.approx(delay_s, abs=1e-4)
        assert found.sign == sign
        assert found.clear > 1.5


def test_a_room_microphone_is_matched_too():
    found = match(pairs(0.018, -1, wet_db=3.0), RATE_HZ)  # more tail than direct sound
    assert found.lag_s == pytest.approx(0.018, abs=1e-4)
    assert found.sign == -1


def test_the_other_way_round_the_lag_turns():
    made = pairs(0.007, -1)
    there, back = match(made, RATE_HZ), match([(b, a) for a, b in made], RATE_HZ)
    assert back.lag_s == pytest.approx(-there.lag_s, abs=1e-9)
    assert back.sign == there.sign == -1


@settings(max_examples=20, deadline=None)
@given(st.integers(-1400, 1400), st.sampled_from([1, -1]), st.floats(0.01, 10.0))
def test_a_shifted_copy_is_told_to_the_sample_at_any_gain(shift, sign, gain):
    wave = np.pad(signal.sosfilt(signal.butter(2, 2000, fs=24_000, output="sos"), floor(0.2, 24_000, -20)), 1500)
    found = match([(wave, sign * gain * np.roll(wave, shift))], 24_000)
    assert round(found.lag_s * 24_000) == shift
    assert found.sign == sign


def test_stretches_of_different_lengths_count_together():
    lengths = (9_000, 12_000, 20_000, 28_800)
    made = [(a[:n], b[:n]) for (a, b), n in zip(pairs(0.005, 1), lengths, strict=True)]
    assert match(made, RATE_HZ).lag_s == pytest.approx(0.005, abs=1e-4)


def test_independent_noises_are_not_clear():
    made = [(floor(0.5, seed=k), floor(0.5, seed=50 + k)) for k in range(4)]
    assert match(made, RATE_HZ).clear < 1.4


@pytest.mark.parametrize(
    "made",
    [
        [],
        [(np.zeros(100), np.zeros(100))],  # shorter than 20 ms
        [(np.zeros(9_600), floor(0.2))],
        [(np.zeros(9_600), np.zeros(9_600))],
    ],
)
def test_nothing_to_compare_has_no_lag_and_no_sign(made):
    found = match(made, RATE_HZ)
    assert np.isnan(found.lag_s) and found.sign == 0


def test_a_delay_beyond_reach_is_not_called_a_short_one():
    wave = np.pad(floor(0.3, level_db=-20), (0, 9_600))
    found = match([(wave, np.roll(wave, round(1.5 * REACH_S * RATE_HZ)))], RATE_HZ)
    assert found.clear < 1.4


def test_a_pair_of_two_lengths_is_refused():
    with pytest.raises(AudioError, match="960 and 961"):
        match([(np.ones(960), np.ones(961))], RATE_HZ)
