"""Sample trouble: planted dropouts, clicks and clipping at known samples; music that only looks like them."""

import csv

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from tests.listen.sounds import RATE_HZ, floor, take, tone
from triage.listen.digital import SampleCheck


def check(wave, rate_hz=RATE_HZ, cuts=()):
    wave = np.atleast_2d(wave)
    found = SampleCheck(rate_hz, len(wave))
    for block in np.split(wave, sorted(cuts), axis=1):
        found.add(block)
    return found


def cut(wave, at_s, length_s, rate_hz=RATE_HZ):
    wave = wave.copy()
    wave[round(at_s * rate_hz) : round((at_s + length_s) * rate_hz)] = 0.0
    return wave


def assert_hole(found, at_s, length_s):
    assert len(found) == 1
    assert found[0].start_s == pytest.approx(at_s, abs=0.003)
    assert found[0].end_s == pytest.approx(at_s + length_s, abs=0.003)


def pulses(f0_hz, length_s, rate_hz=RATE_HZ):
    """A low brass note: in each period one burst at 300 Hz, 26 dB down (1/e^3) before the next."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    since = t % (1 / f0_hz)
    wave = 0.3 * np.exp(-3 * f0_hz * since) * np.sin(2 * np.pi * 300 * since) * np.minimum(1, since / 0.001)
    return wave * np.minimum(1, np.minimum(t / 0.02, (length_s - t) / 0.05))


def pluck(f0_hz, level_db=-6.0):
    """Full at once (0.5 ms), 8.7 dB softer every 80 ms."""
    t = np.arange(RATE_HZ) / RATE_HZ
    return tone(f0_hz, 1.0, attack_s=0.0005, release_s=0.001, level_db=level_db) * np.exp(-t / 0.08)


@pytest.mark.parametrize("length_s", [0.003, 0.005, 0.01, 0.03, 0.06])
@pytest.mark.parametrize("f0_hz, level_db", [(41.2, -12), (110, -3), (110, -40), (880, -20), (1975, -12)])
def test_a_dropout_in_a_held_note_is_found_where_it_is(f0_hz, level_db, length_s):
    wave = take([(0.5, tone(f0_hz, 1.5, level_db=level_db))], 2.5, floor_db=level_db - 60)
    found = check(cut(wave, 1.2345, length_s))
    assert_hole(found.holes(), 1.2345, length_s)
    assert found.clicks() == []  # its edges are the dropout's, not clicks


def test_dropouts_are_told_by_channel_and_at_any_rate():
    for rate_hz in (44_100, 96_000):
        wave = take([(0.5, tone(220.0, 1.0, rate_hz))], 2.0, rate_hz)
        (hole,) = check(np.stack((wave, cut(wave, 0.9, 0.02, rate_hz))), rate_hz).holes()
        assert hole.channel == 1 and hole.start_s == pytest.approx(0.9, abs=0.003)


def test_dropouts_in_real_notes_are_found(recordings):
    # A cut in the quiet between two pulses of a low tuba note has no edge to tell: nine in ten is asked for.
    hits, false, n = 0, 0, 0
    rng = np.random.default_rng(0)
    with open(recordings / "notes.csv", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["sample_rate"] == "44100"][::30]
    for row in rows:
        note = soundfile.read(recordings / row["path"], always_2d=True, frames=2 * 44_100)[0][:, 0]
        note[:100] *= np.linspace(0, 1, 100)
        note[-2000:] *= np.linspace(1, 0, 2000)
        wave = take([(0.5, note * 0.3 / np.abs(note).max())], 3.0, 44_100, floor_db=-100)
        level = np.convolve(wave**2, np.ones(882) / 882, "same")
        false += len(check(wave, 44_100).holes()) + len(check(wave, 44_100).clicks())
        for length_s in (0.003, 0.015, 0.06):
            at_s = rng.choice(np.flatnonzero(level > level.max() * 10**-1.5)) / 44_100
            holes = check(cut(wave, at_s, length_s, 44_100), 44_100).holes()
            hits += any(abs(h.start_s - at_s) < 0.003 and abs(h.end_s - at_s - length_s) < 0.003 for h in holes)
            n += 1
    assert n >= 60
    assert hits >= 0.9 * n
    assert false == 0


MUSIC = {
    "a sine of 27.5 Hz": take([(0.5, tone(27.5, 2.0, n_partials=1))], 3.0),
    "a low tone": take([(0.5, tone(32.7, 2.0, level_db=-3))], 3.0),
    "a contrabass tuba's pulses": take([(0.5, pulses(29.1, 2.0))], 3.0, floor_db=-90),
    "a bass tuba's pulses": take([(0.5, pulses(58.3, 2.0))], 3.0, floor_db=-90),
    "staccato, 30 ms apart": take([(0.5 + 0.15 * k, tone(110, 0.12, release_s=0.03)) for k in range(8)], 2.5),
    "staccato, 60 ms apart, no noise": take(
        [(0.5 + 0.16 * k, tone(220, 0.1, release_s=0.02)) for k in range(8)], 2.5, floor_db=-110
    ),
    "pizzicato": take([(0.5, pluck(41.2)), (1.3, pluck(110.0))], 3.0, floor_db=-80),
    "pizzicato, 120 ms apart": take([(0.5 + 0.12 * k, pluck(196.0)) for k in range(8)], 3.0, floor_db=-90),
    "bow noise": take([(0.5, floor(1.5, level_db=-30, seed=5))], 3.0),
    "floor": floor(2.0),
    "silence": np.zeros(2 * RATE_HZ),
}


@pytest.mark.parametrize("name", MUSIC)
def test_clean_music_has_no_trouble(name):
    found = check(MUSIC[name])
    assert found.holes() == []
    assert found.clicks() == []
    assert found.clipped_s == []
    assert found.not_finite == 0


@pytest.mark.parametrize("gap_s", [0.02, 0.05, 0.1, 0.2, 0.4])
def test_digital_silence_between_notes_is_no_dropout(gap_s):
    wave = np.zeros(3 * RATE_HZ)
    for k in range(5):
        at = round((0.4 + k * (0.1 + gap_s)) * RATE_HZ)
        wave[at : at + RATE_HZ // 10] += tone(196.0, 0.1, release_s=0.02)
    found = check(wave)
    assert found.holes() == []
    assert found.clicks() == []
    assert found.dead_channels() == []


@pytest.mark.parametrize("shape", [[1.0], [1.0, -0.7], [1.0, -0.7, 0.4], [-1.0, -1.0, -1.0]])
@pytest.mark.parametrize("at_s", [0.25, 0.9, 1.7])  # in the floor, in the note, after it
@pytest.mark.parametrize("f0_hz", [41.2, 311.1])
def test_a_click_of_up_to_three_samples_is_found(f0_hz, at_s, shape):
    wave = take([(0.5, tone(f0_hz, 1.0))], 2.0)
    at = round(at_s * RATE_HZ)
    wave[at : at + len(shape)] += 0.03 * np.array(shape)  # 18 dB under the note's peak
    (click,) = check(wave).clicks()
    assert click.start_s - 0.0005 <= at_s <= click.end_s
    assert click.end_s - click.start_s <= 0.0015


@pytest.mark.parametrize("over_db", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("f0_hz", [36.7, 440.0])
def test_flat_tops_are_clipping(f0_hz, over_db):
    loud = take([(0.5, tone(f0_hz, 1.0, level_db=over_db))], 2.0)
    found = check(np.stack((loud / 10 ** (over_db / 20), np.clip(loud, -1.0, 1.0))))
    over = np.abs(loud) >= 1
    first = np.flatnonzero(over[:-2] & over[1:-1] & over[2:])[0] / RATE_HZ
    assert found.clipped_s == [(first, 1), (pytest.approx(1.0, abs=0.03), 1)]  # one in each second of the take


def test_clipping_below_full_scale_is_found():
    # a converter that stops at -1 dBFS, or a clipped file turned down
    wave = take([(0.5, tone(220.0, 1.0, level_db=3))], 2.0)
    assert check(np.clip(wave, -1.0, 1.0) * 0.89).clipped_s != []


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
def test_round_tops_that_16_bits_make_flat_are_not_clipping(rate_hz):
    t = np.arange(rate_hz) / rate_hz
    wave = np.round(32_000 * np.sin(2 * np.pi * 27.5 * t)) / 32_768
    assert (np.diff(wave)[np.abs(wave[1:]) == np.abs(wave).max()] == 0).sum() > 2  # there are runs
    assert check(wave, rate_hz).clipped_s == []


def test_a_square_tone_well_below_full_scale_is_not_clipping():
    t = np.arange(RATE_HZ) / RATE_HZ
    assert check(0.4 * np.sign(np.sin(2 * np.pi * 110 * t))).clipped_s == []


def clipped_at(limit, over_db, f0_hz, rate_hz=RATE_HZ, bits=None):
    """A decaying tone over a floor, clipped by a converter, then turned down until its limit lies at ``limit``."""
    t = np.arange(2 * rate_hz) / rate_hz
    loud = take([(0.0, tone(f0_hz, 2.0, rate_hz, level_db=over_db) * np.exp(-0.5 * t))], 2.2, rate_hz, floor_db=-70)
    wave = np.clip(loud, -1.0, 1.0) * limit
    return wave if bits is None else np.round(wave * 2 ** (bits - 1)) / 2 ** (bits - 1)


@pytest.mark.parametrize("over_db", [1.0, 3.0, 9.0])
@pytest.mark.parametrize("f0_hz, rate_hz", [(41.2, 96_000), (110.0, 48_000), (440.0, 48_000)])
@pytest.mark.parametrize("limit_dbfs, bits", [(-9.0, 16), (-19.0, 16), (-19.0, 24), (-19.0, None), (-40.0, 24)])
def test_clipping_before_a_change_of_gain_is_found(limit_dbfs, f0_hz, rate_hz, over_db, bits):
    wave = clipped_at(10 ** (limit_dbfs / 20), over_db, f0_hz, rate_hz, bits)
    first = np.flatnonzero(np.abs(wave) == np.abs(wave).max())[0] / rate_hz
    (at_s, channel), *_ = check(np.stack((0 * wave, wave)), rate_hz).clipped_s
    assert channel == 1 and first <= at_s <= first + 0.2


@pytest.mark.parametrize("peak", [20, 200, 2_000, 12_000])  # of the 16-bit steps
@pytest.mark.parametrize("f0_hz", [27.5, 110.0, 987.0])
@pytest.mark.parametrize("gain", [1.0, 0.31])
@pytest.mark.parametrize("noise", [0.0, 0.4, 3.0])
def test_few_steps_of_16_bits_are_not_clipping(peak, f0_hz, gain, noise):
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(1)
    sines = {"sine": np.sin(2 * np.pi * f0_hz * t), "tone": tone(f0_hz, 3.0, level_db=0.0)}
    for name, wave in sines.items():
        quiet = np.round(peak * wave + noise * rng.standard_normal(len(t))) / 32_768
        assert check((gain * quiet).astype(np.float32)).clipped_s == [], name


def square(f0_hz, t):
    return np.sign(np.sin(2 * np.pi * f0_hz * t))


SQUARE_LIKE = {
    "a square": square,
    "a square with a sample between": lambda f0_hz, t: np.convolve(square(f0_hz, t), [0.25, 0.5, 0.25], "same"),
    "a sine driven through tanh": lambda f0_hz, t: np.tanh(6 * np.sin(2 * np.pi * f0_hz * t)),
    "a sine driven far through tanh": lambda f0_hz, t: np.tanh(40 * np.sin(2 * np.pi * f0_hz * t)),
    "a filtered square": lambda f0_hz, t: (
        np.cumsum(0.02 * 0.98 ** np.arange(200))[-1] * signal.lfilter([0.1], [1, -0.9], square(f0_hz, t))
    ),
    "steps that were held": lambda f0_hz, t: np.repeat(np.sin(2 * np.pi * f0_hz * t[::6]), 6)[: len(t)],
}


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("f0_hz", [55.0, 220.0, 441.3])
@pytest.mark.parametrize("name", SQUARE_LIKE)
def test_notes_that_are_square_by_themselves_are_not_clipping(name, f0_hz, bits):
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    wave = 0.11 * SQUARE_LIKE[name](f0_hz, t)
    assert check(np.round(wave * 2 ** (bits - 1)) / 2 ** (bits - 1)).clipped_s == []


def test_a_single_flat_top_far_below_full_scale_is_not_called_clipping():
    wave = take([(0.5, tone(220.0, 1.0, level_db=-20))], 2.0)
    at = int(wave.argmax())
    wave[at - 1 : at + 2] = wave[at]
    assert check(wave).clipped_s == []


# EBU Tech 3341, true-peak signals 15 to 19: sine at rate / divisor, phase in degrees, amplitude, dBTP; +0.2 / -0.4 dB
@pytest.mark.parametrize(
    "divisor, phase, amplitude, expected_dbtp",
    [(4, 0.0, 0.50, -6.0), (4, 45.0, 0.50, -6.0), (6, 60.0, 0.50, -6.0), (8, 67.5, 0.50, -6.0), (4, 45.0, 1.41, 3.0)],
)
def test_the_true_peak_of_a_track_is_that_of_the_published_signals(divisor, phase, amplitude, expected_dbtp):
    n = np.arange(RATE_HZ)
    fades = np.minimum(1, np.minimum(n, n[::-1]) / 480)
    wave = amplitude * np.sin(2 * np.pi * n / divisor + np.radians(phase)) * fades
    (found,) = check(wave, cuts=[10_000, 30_001]).true_peaks_dbtp
    assert expected_dbtp - 0.4 <= found <= expected_dbtp + 0.2


def test_the_true_peak_of_silence_is_none_at_all():
    assert check(np.zeros((2, 1000))).true_peaks_dbtp == [-np.inf, -np.inf]


def test_values_that_are_not_numbers_are_counted_and_read_as_silence():
    wave = np.stack((floor(1.0, level_db=-20), floor(1.0, level_db=-20, seed=1)))
    wave[0, 100:110] = np.nan
    wave[1, 5_000] = np.inf
    wave[1, 5_001] = -np.inf
    found = check(wave, cuts=[105, 5_001])
    assert found.not_finite == 12
    assert np.isfinite(found.peaks).all() and found.peaks.max() < 1.0
    assert found.samples == RATE_HZ


def test_a_channel_of_zeros_is_dead_and_a_quiet_one_is_not():
    assert check(np.stack((floor(1.0), np.zeros(RATE_HZ), floor(1.0, level_db=-100)))).dead_channels() == [1]
    assert SampleCheck(RATE_HZ, 2).dead_channels() == []


def test_peaks_are_the_highest_sample_of_each_half_millisecond():
    wave = floor(0.1, level_db=-20)
    assert check(wave).peaks[0].tolist() == np.abs(wave).reshape(-1, 24).max(axis=1).tolist()


def troubled():
    wave = np.clip(take([(0.3, tone(98.0, 0.7, level_db=2)), (1.2, tone(147.0, 0.5))], 2.0), -1, 1)
    wave[round(0.15 * RATE_HZ)] += 0.1
    wave[round(1.6 * RATE_HZ) + 3] = np.nan
    return np.stack((cut(wave, 1.41, 0.02), floor(2.0, seed=2)))


TROUBLED = troubled()
WHOLE = check(TROUBLED)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, round(2.2 * RATE_HZ)), max_size=8))
def test_any_split_into_blocks_finds_the_same_clipping_far_below_full_scale(cuts):
    wave = clipped_at(0.11, 3.0, 220.0)
    tops = np.flatnonzero(np.abs(wave) == np.abs(wave).max())
    for places in (cuts, [int(tops[0]) + k for k in (0, 1, 2)], [int(tops[9]) + 1]):
        assert check(wave, cuts=places).clipped_s == check(wave).clipped_s != []


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 2 * RATE_HZ), max_size=8))
def test_any_split_into_blocks_finds_the_same(cuts):
    found = check(TROUBLED, cuts=cuts)
    assert len(WHOLE.holes()) == 1 and len(WHOLE.clicks()) >= 1 and len(WHOLE.clipped_s) >= 1
    assert found.holes() == WHOLE.holes()
    assert found.clicks() == WHOLE.clicks()
    assert found.clipped_s == WHOLE.clipped_s
    assert (found.peaks == WHOLE.peaks).all()
    assert (found.not_finite, found.samples) == (WHOLE.not_finite, WHOLE.samples)


def test_splits_inside_a_flat_top_a_click_and_a_dropout_find_the_same():
    flat = round(WHOLE.clipped_s[0][0] * RATE_HZ)
    click, hole = round(0.15 * RATE_HZ), round(1.42 * RATE_HZ)
    for cuts in ([flat + k for k in range(-2, 4)], [click - 1, click, click + 1], [hole]):
        found = check(TROUBLED, cuts=cuts)
        assert (found.clipped_s, found.clicks(), found.holes()) == (WHOLE.clipped_s, WHOLE.clicks(), WHOLE.holes())
