"""Envelope measurements against shapes made here, whose answers are computed."""

import numpy as np
import pytest

from triage.domain.errors import AudioError
from triage.listen import envelope as env

RATE, HOP = 48_000, 0.002


def shaped(gain, hz=200.0):
    """A sine of ``hz`` whose amplitude follows ``gain``, one value a sample."""
    return gain * np.sin(2 * np.pi * hz * np.arange(gain.size) / RATE)


def samples(seconds):
    return np.zeros(round(seconds * RATE))


def note(attack_s=0.1, hold_s=1.0, release_db_s=100.0):
    """Quiet for 0.25 s, a linear rise, a hold, a fall by so many dB a second, for 1 s."""
    rise = np.linspace(0, 1, round(attack_s * RATE), endpoint=False)
    fall = 10 ** (-release_db_s * np.arange(RATE) / RATE / 20)
    return np.concatenate([samples(0.25), rise, samples(hold_s) + 1, fall])


def level(gain, hz=200.0):
    return env.rms_envelope_db(shaped(gain, hz), RATE, HOP, f0_hz=hz)


@pytest.mark.parametrize("hz", [27.5, 36.7, 61.7, 440.0])
def test_a_full_scale_sine_reads_minus_3_01_without_ripple(hz):
    """-3.0103 dBFS: computed. Each period of a low note is longer than the window asked for."""
    found = level(np.ones(RATE), hz)
    inner = found[50:-50]
    assert np.abs(inner + 3.0103).max() < 0.005


def test_a_low_notes_ripple_shows_where_its_pitch_is_not_told():
    assert np.ptp(env.rms_envelope_db(shaped(np.ones(RATE), 27.5), RATE, HOP)[50:-50]) > 3


@pytest.mark.parametrize("attack_s", [0.02, 0.05, 0.1, 0.3])
def test_a_linear_attack_takes_seven_tenths_of_its_ramp(attack_s):
    """20 to 90 % of a linear ramp: 70 ms of 100 (computed); the 10 ms window smears the shortest."""
    assert env.attack_time_s(level(note(attack_s)), HOP) == pytest.approx(0.7 * attack_s, abs=0.0025)


def test_a_swell_after_the_attack_does_not_lengthen_it():
    gain = note(0.05, 2.0)
    swell = 10 ** (np.clip(np.arange(gain.size) / RATE - 0.3, 0, None) * 4 / 20)  # 4 dB a second
    assert env.attack_time_s(level(gain * swell), HOP) == pytest.approx(0.035, abs=0.004)


def test_a_note_that_speaks_late_has_a_long_attack():
    """A first burst at a third of the level, a hole, then the tone 0.09 s later."""
    burst = np.concatenate([samples(0.25), samples(0.03) + 0.33, samples(0.06) + 0.1, note(0.02)[RATE // 4 :]])
    assert env.attack_time_s(level(burst), HOP) > 0.09


@pytest.mark.parametrize("over_db", [0.0, 3.0, 6.0])
def test_overshoot_is_the_accents_height(over_db):
    gain = note(0.02)
    accent = slice(round(0.27 * RATE), round(0.33 * RATE))
    gain[accent] *= 10 ** (over_db / 20)
    assert env.overshoot_db(level(gain), HOP) == pytest.approx(over_db, abs=0.1)


@pytest.mark.parametrize("hold_s", [0.05, 0.3, 1.0])
def test_length_ends_where_the_level_is_20_db_down(hold_s):
    """At 100 dB a second the fall takes 0.2 s more (computed)."""
    found = env.sounding_length_s(level(note(0.02, hold_s)), HOP, onset_s=0.25)
    assert found == pytest.approx(0.02 + hold_s + 0.2, abs=0.006)


def test_length_is_not_bound_to_the_hop():
    found = [
        env.sounding_length_s(env.rms_envelope_db(shaped(note(0.02, 0.5 + d)), RATE, 0.01, f0_hz=200), 0.01)
        for d in (0.0, 0.003, 0.006)
    ]
    np.testing.assert_allclose(np.diff(found), 0.003, atol=5e-4)


def test_a_noise_in_the_tail_does_not_lengthen_the_note():
    gain = note(0.02, 0.5)
    plain = env.sounding_length_s(level(gain), HOP)
    gain[round(1.3 * RATE) : round(1.35 * RATE)] = 0.5
    assert env.sounding_length_s(level(gain), HOP) == pytest.approx(plain, abs=1e-6)


def test_a_note_that_is_cut_while_it_sounds_has_no_length():
    assert np.isnan(env.sounding_length_s(level(note()[:RATE]), HOP))


@pytest.mark.parametrize("db_s", [15.0, 60.0, 200.0])
def test_release_is_the_time_for_20_db(db_s):
    found = env.release_s(level(note(release_db_s=db_s)), HOP, 1.37)
    assert found == pytest.approx(20 / db_s, rel=0.02)


def test_release_into_the_floor_is_extrapolated():
    """The floor 15 dB down leaves 9 dB of the fall to fit."""
    x = shaped(note(0.02, 0.5, 60.0)) + 0.126 * np.random.default_rng(0).standard_normal(round(1.77 * RATE))
    contour = env.rms_envelope_db(x, RATE, HOP, f0_hz=200)
    found = env.release_s(contour, HOP, 0.78, floor_db=-18.0)
    assert found == pytest.approx(20 / 60, rel=0.15)


def test_slope_is_the_trend_in_spite_of_a_click():
    gain = 10 ** (-12 * np.arange(RATE) / RATE / 20)
    contour = level(gain)[20:-20]
    contour[200:205] += 20
    assert env.level_slope_db_s(contour, HOP) == pytest.approx(-12, abs=0.05)


def test_slope_agrees_with_scipys_theil_sen():
    from scipy.stats import theilslopes

    y = np.random.default_rng(1).standard_normal(200)
    assert env.theil_sen(np.arange(200.0), y) == pytest.approx(theilslopes(y)[0])


def test_twice_the_gain_moves_levels_and_nothing_else():
    gain = note(0.05, 0.4)
    soft, loud = level(0.1 * gain), level(0.2 * gain)
    assert env.held_level_db(loud, HOP) - env.held_level_db(soft, HOP) == pytest.approx(6.0206, abs=1e-4)
    for same in (env.attack_time_s, env.overshoot_db, env.sounding_length_s):
        assert same(loud, HOP) == pytest.approx(same(soft, HOP), abs=1e-6)


def test_a_shift_moves_no_duration():
    plain, later = level(note(0.05, 0.4)), level(np.concatenate([samples(0.1), note(0.05, 0.4)]))
    assert env.attack_time_s(later, HOP) == pytest.approx(env.attack_time_s(plain, HOP), abs=1e-6)
    assert env.sounding_length_s(later, HOP, onset_s=0.35) == pytest.approx(
        env.sounding_length_s(plain, HOP, onset_s=0.25), abs=1e-6
    )


@pytest.mark.parametrize("contour", [np.empty(0), np.full(1, -200.0), np.full(500, -200.0), np.full(500, -20.0)])
def test_nothing_to_measure_is_nan(contour):
    assert np.isnan(env.attack_time_s(contour, HOP))
    assert np.isnan(env.sounding_length_s(contour, HOP))
    assert np.isnan(env.release_s(contour, HOP, 0.1))
    assert np.isnan(env.release_s(contour, HOP, np.nan))


def test_what_is_not_one_finite_channel_is_refused():
    with pytest.raises(AudioError, match="one channel"):
        env.rms_envelope_db(np.zeros((2, 9)), RATE)
    with pytest.raises(AudioError, match="not finite"):
        env.attack_time_s(np.array([np.nan, 0.0]), HOP)


def test_a_hard_attack_or_a_dip_makes_the_played_part_no_shorter():
    # by hand: 1 s at -20 dB from 0.1 s on, then 100 dB a second down: 8 dB under its median after 1.08 s
    hop_s = 0.002
    time_s = np.arange(0, 2, hop_s)
    even = np.where(time_s < 0.1, -80.0, np.where(time_s < 1.1, -20.0, -20.0 - 100 * (time_s - 1.1)))
    hard = even + np.where((time_s >= 0.1) & (time_s < 0.2), 10.0, 0.0)
    dipped = even - np.where((time_s >= 0.5) & (time_s < 0.7), 9.0, 0.0)
    for level in (even, hard, dipped):
        assert env.held_length_s(level, hop_s, 1.2, 8.0, 0.1) == pytest.approx(1.08, abs=hop_s)
    assert env.sounding_length_s(dipped, hop_s, 8.0, 0.1) < 0.5  # the first fall would end it there
    assert np.isnan(env.held_length_s(np.full(100, -300.0), hop_s, 0.1, 8.0))
    assert np.isnan(env.held_length_s(even, hop_s, 0.0, 8.0))


@pytest.mark.parametrize("db_s", [50.0, 200.0])
def test_a_release_falls_in_10_ms_by_its_own_rate(db_s):
    # an exponential release falls by db_s / 100 in 10 ms wherever it is looked at
    assert env.steepest_fall_db(level(note(release_db_s=db_s)), HOP, 1.4) == pytest.approx(db_s / 100, abs=0.1)


def test_a_note_that_is_cut_falls_far_more_at_once_even_into_a_room():
    cut = note()
    end = round(1.35 * RATE)  # where the release begins
    room = 0.1 * 10 ** (-60 * np.clip(np.arange(cut.size) - end, 0, None) / RATE / 20)  # 20 dB below, 60 dB/s
    cut[end:] = 0.0
    cut[end : end + 240] = np.linspace(1, 0, 240)  # 5 ms
    assert env.steepest_fall_db(level(np.maximum(cut, room)), HOP, 1.35) > 8
    assert np.isnan(env.steepest_fall_db(level(cut), HOP, np.nan))
    assert np.isnan(env.steepest_fall_db(level(cut), HOP, 9.0))
