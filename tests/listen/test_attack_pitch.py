"""The pitch of an attack, on computed notes whose starts are known."""

import numpy as np
import pytest

from triage.listen.attack_pitch import attack_pitch

RATE_HZ = 48_000
ONSET_S = 0.1


def note(f0_hz, length_s=0.5, cents=0.0, background_db=-70.0):
    """A tone of ten partials at 1/k after a tenth of a second; ``cents`` is its way, over time from the onset."""
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    way = cents(t) if callable(cents) else np.full(len(t), cents)
    phase = 2 * np.pi * np.cumsum(f0_hz * 2 ** (way / 1200)) / RATE_HZ
    wave = 0.1 * np.clip(t / 0.005, 0, 1) * sum(np.sin(k * phase) / k for k in range(1, 11))
    wave = np.concatenate([np.zeros(round(ONSET_S * RATE_HZ)), wave])
    return wave + 10 ** (background_db / 20) * np.random.default_rng(0).standard_normal(wave.size)


def found(wave, f0_hz):
    return attack_pitch(wave, RATE_HZ, ONSET_S, f0_hz)


@pytest.mark.parametrize("f0_hz", [58.27, 220.0, 932.3])
def test_a_clean_attack_sounds_no_other_pitch_and_hardly_any_noise(f0_hz):
    own = found(note(f0_hz), f0_hz)
    assert own.jump_cents == 0.0
    assert own.noise_db < -12
    assert found(note(f0_hz, cents=lambda t: 20 * np.sin(2 * np.pi * 5 * t)), f0_hz).jump_cents == 0.0  # a vibrato


@pytest.mark.parametrize("ratio", [2 / 3, 3 / 4, 4 / 3, 3 / 2])
@pytest.mark.parametrize("f0_hz", [110.0, 440.0])
def test_a_neighbouring_partial_that_speaks_first_is_that_many_cents_away(f0_hz, ratio):
    # known answer: 1200 log2(ratio), for 70 ms, then the note
    meant = 1200 * np.log2(ratio)
    own = found(note(f0_hz, cents=lambda t: np.where(t < 0.07, meant, 0.0)), f0_hz)
    assert own.jump_cents == pytest.approx(meant, abs=12)
    assert own.noise_db > found(note(f0_hz), f0_hz).noise_db + 10


@pytest.mark.parametrize("away", [-200.0, 150.0])
def test_a_scoop_into_the_note_is_seen_from_its_side(away):
    own = found(note(220.0, cents=lambda t: away * np.clip(1 - t / 0.1, 0, 1)), 220.0)
    assert np.sign(own.jump_cents) == np.sign(away)
    assert 60 < abs(own.jump_cents) <= abs(away)


def test_breath_before_the_tone_is_noise_and_no_pitch():
    t = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
    air = 0.05 * np.random.default_rng(1).standard_normal(t.size) * ((t > ONSET_S) & (t < ONSET_S + 0.06))
    own = found(note(220.0) + air, 220.0)
    assert own.jump_cents == 0.0
    assert own.noise_db > found(note(220.0), 220.0).noise_db + 8


def test_gain_changes_nothing_and_what_cannot_be_told_is_unknown():
    wave = note(220.0, cents=lambda t: np.where(t < 0.07, 498.0, 0.0))
    np.testing.assert_allclose(found(0.01 * wave, 220.0), found(wave, 220.0), rtol=1e-6)
    np.testing.assert_allclose(found(wave + 0.5, 220.0), found(wave, 220.0), rtol=1e-6)  # an offset of the converter
    for samples, f0_hz in ((wave, np.nan), (np.zeros(RATE_HZ), 220.0), (wave[:5000], 220.0), (np.zeros(0), 220.0)):
        assert np.isnan(found(samples, f0_hz)).all()
