"""Stationary noise: mains tones of known level, rumble, hiss; and clean recordings that show none."""

import numpy as np
import pytest

from tests.listen.sounds import RATE_HZ, floor, take, tone
from triage.listen.stationary_noise import HumDetector, broadband_noise


def hum_of(wave, rate_hz=RATE_HZ, cuts=()):
    wave = np.atleast_2d(wave)
    watch = HumDetector(rate_hz, len(wave))
    for block in np.split(wave, sorted(cuts), axis=1):
        watch.add(block.astype(np.float32))
    return watch.hum()


def sines(hz, levels_dbfs, length_s, rate_hz=RATE_HZ):
    """Sines at the multiples of a frequency, each of a mean square in dBFS."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    parts = [
        np.sqrt(2) * 10 ** (level / 20) * np.sin(2 * np.pi * hz * (k + 1) * t + k)
        for k, level in enumerate(levels_dbfs)
    ]
    return np.sum(parts, axis=0)


MUSIC = take([(0.6, tone(98.0, 0.8)), (2.6, tone(123.5, 0.8)), (4.6, tone(49.0, 0.8))], 7.0)


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("level_dbfs", [-50.0, -65.0, -80.0])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_mains_tone_has_its_level(hz, level_dbfs, rate_hz):
    # known answer: one sine of that mean square beside a white floor of -75 dBFS, -117 dB in 2 Hz
    wave = floor(5.0, rate_hz) + sines(hz, [level_dbfs], 5.0, rate_hz)
    (found,) = hum_of(wave, rate_hz)
    assert found.kind == "hum"
    assert found.level_dbfs == pytest.approx(level_dbfs, abs=0.5)


def test_harmonics_add_up_and_notes_between_do_not_matter():
    found = hum_of(np.stack((MUSIC, MUSIC + sines(50.0, [-62.0, -65.0, -70.0], 7.0))))
    assert [(one.channel, one.kind) for one in found] == [(1, "hum")]
    assert found[0].level_dbfs == pytest.approx(10 * np.log10(sum(10 ** (x / 10) for x in (-62, -65, -70))), abs=0.7)


@pytest.mark.parametrize("pitch_hz", [48.999, 51.913, 97.999, 98.2, 103.83, 123.47, 246.94])
def test_a_held_note_next_to_the_mains_is_no_hum(pitch_hz):
    # G1, G#1, G2, B2 and B3 at A4 = 440 Hz, held for the whole take
    assert hum_of(take([(0.0, tone(pitch_hz, 5.0, level_db=-40.0))], 5.0)) == []


@pytest.mark.parametrize("wave", [floor(5.0), np.zeros(RATE_HZ), floor(0.2), MUSIC])
def test_a_clean_recording_has_no_hum(wave):
    assert hum_of(wave) == []


def test_blocks_do_not_show():
    wave = MUSIC + sines(60.0, [-60.0, -66.0], 7.0)
    (whole,) = hum_of(wave)
    (cut,) = hum_of(wave, cuts=[10_000, 100_001, 230_000])
    assert cut.level_dbfs == pytest.approx(whole.level_dbfs, abs=0.2)


def test_blocks_that_hold_no_gap_are_passed_over():
    # quiet, then ten seconds of a note without a gap, in blocks of two seconds
    wave = np.concatenate((floor(3.0), take([(0.0, tone(220.0, 10.0))], 10.0)))
    wave += sines(50.0, [-60.0, -66.0], 13.0)
    (found,) = hum_of(wave, cuts=[k * 2 * RATE_HZ for k in range(1, 7)])
    assert found.level_dbfs == pytest.approx(-59.0, abs=1.0)


PINK = [-80.0] * 10  # about the same in each octave


def with_octave(first, last, level_dbfs):
    return [level_dbfs if first <= k < last else level for k, level in enumerate(PINK)]


def test_rumble_stands_over_the_next_octaves():
    (found,) = broadband_noise([PINK, with_octave(0, 1, -55.0), PINK], [-20.0] * 3)
    assert (found.channel, found.kind, found.level_dbfs) == (1, "rumble", -55.0)
    assert found.over_db == pytest.approx(25.0, abs=0.1)


def test_hiss_stands_over_the_other_microphones_against_their_notes():
    (found,) = broadband_noise([PINK, PINK, with_octave(7, 10, -62.0)], [-20.0] * 3)
    assert (found.channel, found.kind) == (2, "hiss")
    assert found.over_db == pytest.approx(18.0, abs=0.1)
    louder = [level + 18.0 for level in PINK]  # another preamplifier: notes and background 18 dB up
    assert broadband_noise([PINK, PINK, louder], [-20.0, -20.0, -2.0]) == []


@pytest.mark.parametrize(
    "rows", [[PINK], [PINK, PINK], [[None] * 10, PINK, PINK], [[-60.0 - 3 * k for k in range(10)]]]
)
def test_a_pink_or_a_brown_floor_is_no_trouble(rows):
    assert broadband_noise(rows, [-20.0] * len(rows)) == []
