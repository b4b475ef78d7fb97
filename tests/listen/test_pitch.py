"""Pitch against made tones (computed), praat-parselmouth (other implementation) and real notes."""

import csv

import numpy as np
import parselmouth
import pytest
import soundfile

from triage.domain.errors import AudioError
from triage.listen.pitch import note_f0, track, typical_hz, unvoiced_share

RATE = 48_000


def tone(f0_hz, duration_s=1.0, amplitudes=None, rate=RATE):
    """Harmonic tone; partials at 1/k up to 12 unless given, below the Nyquist frequency."""
    t = np.arange(round(duration_s * rate)) / rate
    amplitudes = 1 / np.arange(1, 13) if amplitudes is None else amplitudes
    partials = [(k, a) for k, a in enumerate(amplitudes, 1) if k * f0_hz < 0.45 * rate]
    return 0.1 * sum(a * np.sin(2 * np.pi * k * f0_hz * t + k * k) for k, a in partials)


def cents(found, expected):
    return 1200 * np.log2(np.asarray(found) / expected)


# low tones of bass instruments (D1, F#1, Bb1 ...), from A0 to C8; the project's bound is 1 cent
PITCHES = [27.5, 36.7081, 46.2493, 58.2705, 116.541, 233.08, 442.0, 932.33, 1864.66, 2793.8, 4100.0]


@pytest.mark.parametrize("f0_hz", PITCHES)
def test_steady_tones_are_told_to_a_tenth_of_a_cent(f0_hz):
    assert abs(cents(note_f0(tone(f0_hz), RATE), f0_hz)) < 0.1


@pytest.mark.parametrize("f0_hz", PITCHES)
def test_the_track_of_a_steady_tone_stays_within_a_cent(f0_hz):
    found = track(tone(f0_hz), RATE)
    assert np.abs(cents(found.f0_hz[8:-8], f0_hz)).max() < 1.0


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_the_rate_does_not_change_the_pitch(rate):
    assert abs(cents(note_f0(tone(58.2705, rate=rate), rate), 58.2705)) < 0.1


@pytest.mark.parametrize(
    "amplitudes",
    [
        [0, 1, 1, 1, 1, 1, 1],  # no fundamental
        [0.01, 0.05, 1, 0.6, 1, 0.7, 0.5, 0.5, 0.4],  # a low tuba's weak fundamental
        [0.2, 0.3, 0.5, 0.8, 1, 1, 1, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2],  # bright fortissimo
        [1],
        [1, 0, 0.5, 0, 0.3],  # odd partials only
        [1, 3, 0.3, 2],  # even partials lead
    ],
)
@pytest.mark.parametrize("f0_hz", [41.2, 110.0, 392.0])
def test_the_octave_holds_for_any_colour_of_tone_over_noise(amplitudes, f0_hz):
    noise = np.random.default_rng(1).standard_normal(RATE)
    x = tone(f0_hz, amplitudes=amplitudes)
    x += noise * x.std() * 10 ** (-30 / 20)
    found = track(x, RATE)
    assert np.mean(np.abs(cents(found.f0_hz[6:-6], f0_hz)) < 50) > 0.97
    assert abs(cents(note_f0(x, RATE), f0_hz)) < 2.0


def test_a_room_does_not_change_the_octave():
    noise = np.random.default_rng(2)
    impulse = noise.standard_normal(RATE) * 10 ** (-3 * np.arange(RATE) / (1.2 * RATE)) * 0.02  # RT60 1.2 s
    impulse[0] = 1.0
    x = np.convolve(tone(87.31, 0.5), impulse[: RATE // 2])
    assert abs(cents(typical_hz(track(x, RATE)), 87.31)) < 10


@pytest.mark.parametrize("f0_hz, duration_s", [(43.65, 0.1), (87.31, 0.06), (174.6, 0.05), (466.2, 0.05)])
def test_very_short_notes_have_a_pitch(f0_hz, duration_s):
    """A staccatissimo of 50 to 100 ms in silence; five cents is the just noticeable difference."""
    x = np.concatenate([np.zeros(RATE // 5), tone(f0_hz, duration_s), np.zeros(RATE // 5)])
    x += 1e-5 * np.random.default_rng(3).standard_normal(x.size)
    found = typical_hz(track(x, RATE), 0.2, 0.2 + duration_s)
    assert abs(cents(found, f0_hz)) < 50
    body = x[RATE // 5 : RATE // 5 + round(duration_s * RATE)]
    assert abs(cents(note_f0(body, RATE, found), f0_hz)) < 5


def test_vibrato_gives_its_mean_and_its_course():
    """440 Hz, 6 Hz, +-50 cents; Praat gives a mean of +0.05 cents (as measured with praat-parselmouth 0.4.7)."""
    t = np.arange(2 * RATE) / RATE
    contour = 440 * 2 ** (50 / 1200 * np.sin(2 * np.pi * 6 * t))
    x = 0.3 * np.sin(2 * np.pi * np.cumsum(contour) / RATE)
    assert abs(cents(note_f0(x, RATE), 440)) < 0.3
    found = track(x, RATE)
    inner = slice(5, -5)
    expected = contour[np.round(found.time_s[inner] * RATE).astype(int)]
    assert np.abs(cents(found.f0_hz[inner], expected)).max() < 3


def test_the_track_agrees_with_praat():
    """Other implementation: Praat's autocorrelation on the same glide with tremolo."""
    t = np.arange(RATE) / RATE
    phase = 2 * np.pi * np.cumsum(150 * 2 ** (t / 6)) / RATE
    x = 0.1 * (1 + 0.3 * np.sin(2 * np.pi * 5 * t)) * sum(np.sin(k * phase) / k for k in range(1, 10))
    praat = parselmouth.Sound(x, RATE).to_pitch_ac(time_step=0.01, pitch_floor=75, pitch_ceiling=600)
    found = track(x, RATE)
    own = np.interp(praat.xs(), found.time_s, found.f0_hz)
    assert np.abs(cents(own, praat.selected_array["frequency"])[5:-5]).max() < 3


def test_a_plucked_notes_pitch_is_not_that_of_a_string_ringing_along():
    t = np.arange(2 * RATE) / RATE
    plucked = tone(220.0, 2.0) * np.exp(-t / 0.15)
    along = tone(55.0, 2.0) * 0.02 * np.exp(-t / 2)
    assert abs(cents(typical_hz(track(plucked + along, RATE)), 220)) < 10


def test_gain_does_not_change_the_track_and_a_shift_only_moves_it():
    x = np.concatenate([np.zeros(9600), tone(98.0, 0.5), np.zeros(9600)])
    x += 1e-4 * np.random.default_rng(4).standard_normal(x.size)
    plain, louder = track(x, RATE), track(2 * x, RATE)
    later = track(np.concatenate([np.zeros(RATE // 10), x]), RATE)
    np.testing.assert_allclose(louder.f0_hz, plain.f0_hz, rtol=1e-5)
    np.testing.assert_allclose(louder.level_dbfs - plain.level_dbfs, 6.0206, atol=1e-3)
    np.testing.assert_allclose(later.f0_hz[30:60], plain.f0_hz[20:50], rtol=1e-4)


def test_a_breathy_attack_has_no_pitch_at_first():
    note = np.concatenate([np.zeros(RATE // 5), tone(174.6, 0.8)])
    assert unvoiced_share(track(note, RATE), 0.2, 0.3) < 0.15
    start = RATE // 5
    note[start : start + 3360] = 0.05 * np.random.default_rng(5).standard_normal(3360)
    assert unvoiced_share(track(note, RATE), 0.2, 0.3) > 0.4
    assert np.isnan(unvoiced_share(track(note, RATE), 9.0, 9.1))


@pytest.mark.parametrize(
    "x", [np.zeros(RATE), np.zeros(0), np.zeros(10), 0.1 * np.random.default_rng(6).standard_normal(RATE)]
)
def test_silence_and_noise_have_no_pitch(x):
    found = track(x, RATE)
    assert np.isnan(found.f0_hz).mean() > 0.95
    if not np.isfinite(found.f0_hz).any():
        assert np.isnan(note_f0(x, RATE)) and np.isnan(typical_hz(found))


def test_what_is_not_one_finite_channel_is_refused():
    with pytest.raises(AudioError, match="one channel"):
        track(np.zeros((2, 100)), RATE)
    with pytest.raises(AudioError, match="not finite"):
        note_f0(np.array([0.0, np.nan]), RATE)
    with pytest.raises(AudioError, match="8000"):
        track(np.zeros(100), 4000)


def test_real_notes_agree_with_praat_and_the_listed_pitch(recordings):
    """Every 12th note of tuba and double bass: 97 % within 50 cents of Praat's median, octave errors 1 % at most."""
    with open(recordings / "notes.csv", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["instrument"] in ("tuba", "double-bass")][::12]
    apart = []
    for row in rows:
        x, rate = soundfile.read(recordings / row["path"], always_2d=True)
        listed = 440 * 2 ** ((int(row["midi_pitch"]) - 69) / 12)
        praat = parselmouth.Sound(x[:, 0], rate).to_pitch_ac(0.01, max(25, listed / 1.6), pitch_ceiling=listed * 1.6)
        heard = praat.selected_array["frequency"]
        apart.append(cents(note_f0(x[:, 0], rate), np.median(heard[heard > 0])))
    apart = np.abs(apart)
    assert np.mean(apart < 50) >= 0.97
    assert np.mean(apart > 600) <= 0.01 + 1 / len(apart)
