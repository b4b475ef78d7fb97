"""A note's measurements on made tones: known answers, what must change nothing, what is unknown."""

import numpy as np
import pyloudnorm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from tests.listen.sounds import RATE_HZ, floor, span_of, take, tone
from triage.domain.measurements import MEASURED
from triage.listen.logmel import LogMel
from triage.listen.measure import LEAD_S, LONGEST_S, held, measure, window
from triage.listen.notes import NoteSegment, find_notes

START_S = 0.5
SHIFTED = ("level_dbfs", "loudness_lufs", "peak_dbfs")  # by a gain; nothing else is
LOOSE = ("vibrato_hz", "tremolo_hz")  # of a steady tone: the rate of nothing


def measured(wave, end_s, rate_hz=RATE_HZ, start_s=START_S, floor_dbfs=-75.0, meant_hz=()):
    """Measure what lies from start_s to end_s in a take, and rings 0.3 s."""
    take_s = len(wave) / rate_hz
    note = NoteSegment(start_s, end_s, min(end_s + 0.3, take_s), -20.0)
    first_s, last_s = window(note, take_s)
    samples = wave[round(first_s * rate_hz) : round(last_s * rate_hz)]
    return measure(samples, rate_hz, note, floor_dbfs, meant_hz)


def one(f0_hz=220.0, length_s=1.0, rate_hz=RATE_HZ, **tone_is):
    """A take with one note at START_S, measured."""
    wave = take([(START_S, tone(f0_hz, length_s, rate_hz, **tone_is))], length_s + 1.2, rate_hz)
    return measured(wave, START_S + length_s, rate_hz)


def partials(f0_hz, amplitudes, length_s=1.0, cents=0.0, gain=1.0):
    """A tone of given partials; its pitch and gain may move (arrays over time). Its RMS is 0.1."""
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * np.cumsum(f0_hz * 2 ** (cents / 1200) * np.ones_like(t)) / RATE_HZ
    wave = sum(a * np.sin(k * phase + k * k) for k, a in enumerate(amplitudes, 1))
    gate = np.minimum(1, np.minimum(t / 0.01, (length_s - t) / 0.02))
    return wave * gain * gate * 0.1 / np.sqrt(sum(a * a for a in amplitudes) / 2)


def of(note, end_s=None):
    length_s = len(note) / RATE_HZ
    return measured(take([(START_S, note)], length_s + 1.2), end_s or START_S + length_s)


T = np.arange(RATE_HZ) / RATE_HZ
SIX = 1 / np.arange(1, 7)


def test_every_name_is_there_and_every_value_a_number():
    for found in (one(), one(length_s=0.08), measured(np.zeros(RATE_HZ), 0.9)):
        assert tuple(found) == MEASURED
        assert all(isinstance(value, float) for value in found.values())
    assert np.isfinite(list(found.values())).sum() == 0  # silence has no number
    assert [name for name, value in one().items() if not np.isfinite(value) and name not in LOOSE] == []


@pytest.mark.parametrize("f0_hz", [29.14, 58.27, 220.0, 932.3])
def test_a_held_tone_has_its_pitch_level_and_colour(f0_hz):
    found = one(f0_hz, 1.2, level_db=-12.0)
    sustain = tone(f0_hz, 1.2, level_db=-12.0)[RATE_HZ // 5 : RATE_HZ]
    assert 1200 * np.log2(found["f0_hz"] / f0_hz) == pytest.approx(0, abs=0.5)
    assert found["level_dbfs"] == pytest.approx(10 * np.log10(np.mean(sustain**2)), abs=0.1)
    assert found["peak_dbfs"] == pytest.approx(-12.0, abs=0.1)
    assert found["centroid_hz"] == pytest.approx(3.867 * f0_hz, rel=0.01)  # partials at 1/k, k to 12: formula
    assert found["tilt_db_oct"] == pytest.approx(-6.02, abs=0.1)
    assert found["harmonicity_db"] > 40
    steady = (
        "cents_drift",
        "cents_spread",
        "attack_jump_cents",
        "vibrato_cents",
        "level_slope_db_s",
        "steadiness_db",
    )
    for name in steady:
        assert found[name] == pytest.approx(0, abs=0.1), name
    assert found["attack_unvoiced"] <= (0.4 if f0_hz < 40 else 0.2)  # windows of 120 ms below 75 Hz


@pytest.mark.parametrize("attack_s", [0.02, 0.05, 0.1, 0.3])
@pytest.mark.parametrize("f0_hz", [98.0, 440.0])
def test_a_linear_attack_has_its_time_and_course(f0_hz, attack_s):
    found = one(f0_hz, 1.2, attack_s=attack_s)
    # from 20 % to 90 % of a ramp; the envelope's window (one or two periods) smears the shortest
    assert found["attack_s"] == pytest.approx(0.7 * attack_s, rel=0.05, abs=0.003)
    for name, at_s in (("attack_20_db", 0.02), ("attack_50_db", 0.05), ("attack_100_db", 0.1)):
        if abs(at_s - attack_s) > 0.02:  # the corner is smoothed
            assert found[name] == pytest.approx(20 * np.log10(min(1.0, at_s / attack_s)), abs=0.7), name


@pytest.mark.parametrize("length_s", [0.1, 0.25, 1.0, 3.0])
@pytest.mark.parametrize("f0_hz", [73.4, 440.0])
def test_a_note_has_its_length(f0_hz, length_s):
    # a linear release of 50 ms is 20 dB down after nine tenths, 8 dB down after six tenths
    found = one(f0_hz, length_s, release_s=0.05)
    assert found["length_s"] == pytest.approx(length_s - 0.005, abs=0.006)
    assert found["body_s"] == pytest.approx(length_s - 0.02, abs=0.008)


@pytest.mark.parametrize("rt_s", [0.3, 0.9])
def test_an_exponential_release_has_its_time(rt_s):
    # known answer: 60 dB in rt_s, so 20 dB in a third of it
    t = np.arange(round((0.8 + rt_s) * RATE_HZ)) / RATE_HZ
    wave = tone(196.0, 0.8 + rt_s, release_s=0.001) * 10 ** (-3 * np.maximum(t - 0.8, 0) / rt_s)
    found = measured(take([(START_S, wave)], 2.8), START_S + 0.8 + rt_s / 3)
    assert found["release_s"] == pytest.approx(rt_s / 3, rel=0.05)
    assert found["length_s"] == pytest.approx(0.8 + rt_s / 3, rel=0.02)
    assert found["tail_s"] == pytest.approx(0.3)


def test_a_plucked_note_decays_at_its_rate():
    # known answer: amplitude e^(-t / 0.25 s), 34.74 dB a second; held level: 50 ms after the peak
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    wave = tone(110.0, 2.0, attack_s=0.002, release_s=0.01, level_db=-6.0) * np.exp(-t / 0.25)
    found = measured(take([(START_S, wave)], 3.0), START_S + 0.62)
    assert found["level_slope_db_s"] == pytest.approx(-34.74, rel=0.02)
    assert found["release_s"] == pytest.approx(20 / 34.74, rel=0.03)
    assert found["length_s"] == pytest.approx(0.05 + 20 / 34.74, abs=0.02)
    assert 1200 * np.log2(found["f0_hz"] / 110.0) == pytest.approx(0, abs=1)
    assert found["attack_s"] < 0.02
    assert found["tilt_db_oct"] == pytest.approx(-6.02, abs=0.2)


def test_vibrato_has_rate_and_extent():
    found = of(partials(196.0, SIX, cents=30 * np.sin(2 * np.pi * 5.5 * T)))
    assert found["vibrato_hz"] == pytest.approx(5.5, abs=0.2)
    assert found["vibrato_cents"] == pytest.approx(30, rel=0.15)
    assert 1200 * np.log2(found["f0_hz"] / 196.0) == pytest.approx(0, abs=3)


def test_tremolo_has_rate_and_depth():
    depth_db = 3.0  # peak to peak
    found = of(partials(196.0, SIX, gain=10 ** (depth_db / 40 * np.sin(2 * np.pi * 6 * T))))
    assert found["tremolo_hz"] == pytest.approx(6.0, abs=0.2)
    assert found["steadiness_db"] == pytest.approx(depth_db, rel=0.2)
    assert found["vibrato_cents"] < 1


@pytest.mark.parametrize("cents_s", [-40.0, 25.0])
def test_a_sagging_pitch_has_its_slope(cents_s):
    found = of(partials(146.8, SIX, cents=cents_s * (T - 0.5)))
    assert found["cents_drift"] == pytest.approx(cents_s, rel=0.05)
    assert found["vibrato_cents"] < 1


@pytest.mark.parametrize("db_s", [-12.0, 6.0])
def test_a_swell_has_its_slope(db_s):
    found = of(partials(146.8, SIX, gain=10 ** (db_s * (T - 0.5) / 20)))
    assert found["level_slope_db_s"] == pytest.approx(db_s, rel=0.05)


def test_an_attack_that_sounds_a_fifth_above_first_is_a_jump_of_702_cents():
    found = of(partials(220.0, SIX, cents=np.where(T < 0.08, 1200 * np.log2(1.5), 0.0)))
    assert found["attack_jump_cents"] == pytest.approx(702, abs=15)
    assert 1200 * np.log2(found["f0_hz"] / 220.0) == pytest.approx(0, abs=2)


def test_breath_in_the_attack_is_heard_as_noise_and_brightness():
    clean = partials(220.0, SIX)
    burst = floor(1.0, level_db=-25, seed=4) * np.exp(-T / 0.04)
    found, breathy = of(clean), of(clean + burst)
    assert breathy["attack_noise_db"] > found["attack_noise_db"] + 6
    assert breathy["attack_bright_db"] > 10
    assert breathy["level_dbfs"] == pytest.approx(found["level_dbfs"], abs=0.5)


def test_odd_partials_alone_and_even_ones_are_told_apart():
    # formula: amplitudes 1/k of the odd, 0.1/k of the even; 3 5 7 9 against 2 4 6 8
    k = np.arange(1, 10)
    found = of(partials(147.0, np.where(k % 2, 1.0, 0.1) / k))
    odd, even = (1 / k[2::2] ** 2).sum(), (0.01 / k[1:8:2] ** 2).sum()
    assert found["odd_even_db"] == pytest.approx(10 * np.log10(odd / even), abs=0.3)


def test_noise_in_the_tone_lowers_the_harmonicity_to_its_ratio():
    # white noise 20 dB under the tone from 110 Hz to 10 kHz, of 24 kHz: 10 log10(24 / 9.89) = 3.85 dB more
    found = of(partials(220.0, SIX) + floor(1.0, level_db=-40, seed=6))
    assert found["harmonicity_db"] == pytest.approx(23.85, abs=1.0)


def test_loudness_is_that_of_pyloudnorm_for_a_steady_tone():
    # other implementation: one block of 0.4 s; ITU-R BS.1770-4
    meter = pyloudnorm.Meter(RATE_HZ, block_size=0.4)
    for f0_hz in (98.0, 880.0):
        wave = tone(f0_hz, 1.2, level_db=-12.0)
        found = measured(take([(START_S, wave)], 2.2), START_S + 1.2)
        steady = wave[RATE_HZ // 5 : RATE_HZ]
        assert found["loudness_lufs"] == pytest.approx(meter.integrated_loudness(steady), abs=0.3)


def same(found, other, but=(), rel=1e-3, absolute=0.02):
    for name in MEASURED:
        if name not in but and name not in LOOSE:
            assert other[name] == pytest.approx(found[name], rel=rel, abs=absolute, nan_ok=True), name


@settings(max_examples=5, deadline=None)
@given(st.floats(-30.0, 12.0))
def test_gain_moves_the_levels_by_itself_and_nothing_else(gain_db):
    wave = take([(START_S, tone(155.6, 0.6, attack_s=0.04))], 1.6)
    found = measured(wave, START_S + 0.6)
    other = measured(10 ** (gain_db / 20) * wave, START_S + 0.6, floor_dbfs=-75.0 + gain_db)
    same(found, other, but=SHIFTED)
    for name in SHIFTED:
        assert other[name] == pytest.approx(found[name] + gain_db, abs=0.01)


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 2000))
def test_the_place_in_the_take_changes_nothing(shift):
    wave = take([(START_S, tone(155.6, 0.6, attack_s=0.04))], 1.6)
    late = np.concatenate((floor(1.0, seed=8)[: shift * 10], wave))
    found = measured(wave, START_S + 0.6)
    other = measured(late, START_S + 0.6 + shift * 10 / RATE_HZ, start_s=START_S + shift * 10 / RATE_HZ)
    same(found, other, rel=0.01, absolute=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_the_rate_changes_nothing(rate_hz):
    same(one(), one(rate_hz=rate_hz), but=("harmonicity_db", "attack_noise_db"), rel=0.01, absolute=0.1)


@pytest.mark.parametrize("f0_hz", [55.0, 220.0])
def test_the_sheet_never_moves_the_pitch_of_a_clear_note(f0_hz):
    played = one(f0_hz)["f0_hz"]
    wave = take([(START_S, tone(f0_hz, 1.0))], 2.2)
    for times in (1 / 3, 0.5, 2 ** (1 / 12), 2, 3, 4):
        assert measured(wave, START_S + 1.0, meant_hz=[f0_hz * times])["f0_hz"] == pytest.approx(played, rel=1e-4)


def test_noise_has_level_and_length_and_no_pitch():
    wave = take([(START_S, floor(0.8, level_db=-20, seed=5))], 2.0)
    found = measured(wave, START_S + 0.8)
    assert found["level_dbfs"] == pytest.approx(-20, abs=1.0)
    assert found["length_s"] == pytest.approx(0.8, abs=0.02)
    for name in ("vibrato_hz", "vibrato_cents", "tilt_db_oct", "odd_even_db"):
        assert np.isnan(found[name]), name


def test_a_short_note_has_no_vibrato_and_no_tremolo():
    found = one(length_s=0.2)
    for name in ("vibrato_hz", "vibrato_cents", "tremolo_hz", "steadiness_db"):
        assert np.isnan(found[name]), name
    assert 1200 * np.log2(found["f0_hz"] / 220.0) == pytest.approx(0, abs=2)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_values_that_are_not_numbers_are_read_as_silence(bad):
    wave = take([(START_S, tone(220.0, 1.0))], 2.0)
    wave[RATE_HZ] = 0.0
    broken = wave.copy()
    broken[RATE_HZ] = bad
    same(measured(wave, 1.5), measured(broken, 1.5))


def test_a_take_that_starts_with_the_note_is_measured():
    found = measured(tone(220.0, 0.8) + floor(0.8), 0.79, start_s=0.0)
    assert found["f0_hz"] == pytest.approx(220.0, rel=1e-3)
    assert found["length_s"] == pytest.approx(0.79, abs=0.02)
    assert np.isfinite(found["loudness_lufs"])


def test_notes_as_they_are_found_have_the_numbers_that_were_planted():
    wave = take([(0.6, tone(98.0, 0.5, attack_s=0.05)), (2.0, tone(110.0, 0.9, level_db=-18.0))], 3.6)
    notes, _ = find_notes(LogMel(RATE_HZ)(wave[None])[0], span_of(wave), RATE_HZ)
    for note, f0_hz, length_s, peak_db in zip(notes, (98.0, 110.0), (0.5, 0.9), (-12.0, -18.0), strict=True):
        first_s, last_s = window(note, 3.6)
        found = measure(wave[round(first_s * RATE_HZ) : round(last_s * RATE_HZ)], RATE_HZ, note, -75.0)
        assert 1200 * np.log2(found["f0_hz"] / f0_hz) == pytest.approx(0, abs=1)
        assert found["length_s"] == pytest.approx(length_s, abs=0.02)
        assert found["peak_dbfs"] == pytest.approx(peak_db, abs=0.1)


def test_the_window_has_quiet_before_the_note_and_an_end():
    assert window(NoteSegment(3.0, 4.0, 4.5, -20.0), 60.0) == (3.0 - LEAD_S, 4.5)
    assert window(NoteSegment(0.1, 4.0, 4.5, -20.0), 4.2) == (0.0, 4.2)
    assert window(NoteSegment(1.0, 40.0, 41.0, -20.0), 60.0)[1] == 1.0 + LONGEST_S


@given(st.floats(0, 100), st.floats(0, 30))
def test_the_held_part_lies_inside_the_note(onset_s, length_s):
    from_s, to_s = held(onset_s, onset_s + length_s)
    assert onset_s <= from_s <= to_s + 1e-9 <= onset_s + length_s + 2e-9


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 12_000),
    st.floats(0, 0.5),
    st.floats(0, 0.5),
    st.floats(0, 0.3),
    st.sampled_from(["noise", "zeros", "constant", "impulses", "sine", "tiny"]),
    st.sampled_from([16_000, 44_100]),
)
def test_any_short_stretch_gives_finite_numbers_or_none(n, start_s, length_s, ring_s, kind, rate_hz):
    rng = np.random.default_rng(n)
    samples = {
        "noise": rng.standard_normal(n) * 0.1,
        "zeros": np.zeros(n),
        "constant": np.full(n, 0.3),
        "impulses": (rng.random(n) < 0.001).astype(float),
        "sine": np.sin(np.arange(n) * 0.03),
        "tiny": np.full(n, 1e-30),
    }[kind]
    note = NoteSegment(start_s, start_s + length_s, start_s + length_s + ring_s, -20.0)
    found = measure(samples, rate_hz, note, -75.0)
    assert tuple(found) == MEASURED
    assert not np.isinf(list(found.values())).any()


def test_breath_below_the_pitch_changes_no_attack_and_no_level():
    rng = np.random.default_rng(3)
    wave = take([(START_S, tone(220.0, 1.0, level_db=-25))], 2.2)
    rumble = signal.sosfilt(signal.butter(4, 50, "low", fs=RATE_HZ, output="sos"), rng.standard_normal(RATE_HZ // 3))
    rumble *= np.hanning(len(rumble)) * 0.08 / rumble.std()
    with_puff = wave.copy()
    at = round((START_S - 0.12) * RATE_HZ)
    with_puff[at : at + len(rumble)] += rumble
    plain, puffed = (measured(one_wave, START_S + 1.0, meant_hz=(220.0,)) for one_wave in (wave, with_puff))
    for name, near in (("attack_20_db", 1.0), ("attack_50_db", 0.5), ("level_dbfs", 0.2), ("length_s", 0.02)):
        assert puffed[name] == pytest.approx(plain[name], abs=near)
    assert abs(1200 * np.log2(puffed["f0_hz"] / plain["f0_hz"])) < 1


def test_a_sag_in_the_last_third_shows_at_the_end():
    sagging = partials(220.0, SIX, cents=-41 * np.clip((T - 0.65) / 0.25, 0, 1))
    assert -41 < of(sagging)["end_cents"] < -15  # the last fifth holds the way down too
    assert of(partials(220.0, SIX))["end_cents"] == pytest.approx(0, abs=2)
    # an even slope of the same size shows in both
    assert of(partials(220.0, SIX, cents=-41 * T))["end_cents"] == pytest.approx(-17, abs=5)


@pytest.mark.parametrize("odd_share, sounding_hz", [(0.35, 110.0), (0.08, 220.0)])
def test_an_octave_below_the_sheet_is_one_where_it_really_sounds(odd_share, sounding_hz):
    power = np.where(np.arange(1, 9) % 2 == 1, odd_share / 4, (1 - odd_share) / 4)
    found = measured(take([(START_S, partials(110.0, np.sqrt(power)))], 2.2), START_S + 1.0, meant_hz=(220.0,))
    assert found["f0_hz"] == pytest.approx(sounding_hz, rel=0.003)


def test_a_pitch_that_the_sheet_asks_for_stands_beside_its_octave():
    power = np.where(np.arange(1, 9) % 2 == 1, 0.1 / 4, 0.9 / 4)
    note = take([(START_S, partials(110.0, np.sqrt(power)))], 2.2)
    assert measured(note, START_S + 1.0, meant_hz=(110.0, 220.0))["f0_hz"] == pytest.approx(110.0, rel=0.003)
