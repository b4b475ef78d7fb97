"""Location: delays at known distances, the nearest of several microphones, tracks that are late as a whole."""

import numpy as np
import pytest
from scipy import signal

from tests.listen.sounds import RATE_HZ, floor
from training.rooms import HallRecipe, MicRecipe, build_hall
from triage.domain.errors import AudioError
from triage.listen.nearest_mic import closeness_db, later_s, nearest, speed_m_s

RNG = np.random.default_rng(4)


def burst(length_s=0.08, low_hz=200, high_hz=8000, rate_hz=RATE_HZ, seed=1):
    """A knock: noise that dies by 60 dB in 0.2 s."""
    white = floor(length_s, rate_hz, 0.0, seed)
    sos = signal.butter(2, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    return signal.sosfilt(sos, white) * 10 ** (-3 * np.arange(len(white)) / rate_hz / 0.2) * 0.05


def recorded_at(distances_m, rate_hz=RATE_HZ, celsius=20.0, floor_db=-80.0):
    """A burst 0.1 s into the segment as microphones at some distances pick it up, without walls."""
    segments = []
    for k, away_m in enumerate(distances_m):
        track = floor(0.3, rate_hz, floor_db, seed=10 + k)
        first = round((0.1 + away_m / speed_m_s(celsius)) * rate_hz)
        sound = burst(rate_hz=rate_hz) / away_m
        track[first : first + len(sound)] += sound
        segments.append(track)
    return segments


def test_the_speed_of_sound_is_that_of_the_standard():
    # ISO 9613-1: c = 343.2 sqrt(T / 293.15 K)
    for celsius in (0.0, 10.0, 20.0, 30.0):
        assert speed_m_s(celsius) == pytest.approx(343.2 * np.sqrt((celsius + 273.15) / 293.15), abs=0.5)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("away_m", [0.5, 2.0, 5.15, 12.0])
def test_a_known_distance_gives_its_delay(away_m, rate_hz):
    # known answer: distance / speed of sound, here 343.42 m/s, to within a sample and a half
    later = later_s(recorded_at([1.0, 1.0 + away_m], rate_hz), rate_hz)
    assert later[1, 0] == pytest.approx(away_m / 343.42, abs=1.5 / rate_hz)
    assert later[0, 1] == -later[1, 0]


def test_noises_of_their_own_have_seldom_a_delay():
    pairs = [[floor(0.3, level_db=-50, seed=k), floor(0.3, level_db=-50, seed=50 + k)] for k in range(20)]
    assert sum(np.isfinite(later_s(pair, RATE_HZ)[0, 1]) for pair in pairs) <= 3


def test_stretches_of_unlike_length_are_refused():
    with pytest.raises(AudioError, match="same segment"):
        later_s([np.zeros(5000), np.zeros(5001)], RATE_HZ)


def test_too_short_a_stretch_tells_nothing():
    assert np.isnan(later_s([np.ones(10), np.ones(10)], RATE_HZ)[0, 1])


def test_who_hears_it_first_is_nearest_even_where_another_is_louder():
    later = later_s(recorded_at([3.0, 1.0, 6.0]), RATE_HZ)
    assert nearest(later, np.array([10.0, 0.0, 5.0])) == 1


def test_without_delays_the_level_decides():
    unknown = np.where(np.eye(3, dtype=bool), 0.0, np.nan)
    assert nearest(unknown, np.array([-30.0, -20.0, -25.0])) == 1
    tied = np.array([[0.0, 0.0002], [-0.0002, 0.0]])  # 7 cm
    assert nearest(tied, np.array([-20.0, -26.0])) == 0


def test_closeness_takes_the_preamplifier_out():
    # computed: same place, gains 20 dB apart; notes and noise both 20 dB louder there
    close = closeness_db([-60.0, -40.0], [-30.0, -10.0], [0.0, 0.0])
    assert close[0] == pytest.approx(close[1])
    # a microphone 8 m behind the player's: its notes are softer by the way, so the same figures mean less
    far = closeness_db([-60.0, -60.0], [-30.0, -30.0], [0.0, 8.0 / speed_m_s()])
    assert far[1] < far[0] - 6.0


def test_the_nearest_microphone_of_a_hall_is_found():
    mics = tuple(
        MicRecipe(name=n, role=n, x_m=x, y_m=y)
        for n, x, y in (("close", 0.8, 0.0), ("main", 3.2, 0.6), ("room", 8.5, -2.0))
    )
    hall = build_hall(mics, HallRecipe(rt60_s=1.2), RATE_HZ, 3)
    right = 0
    for trial in range(20):
        index = trial % 3
        place = (mics[index].x_m + RNG.uniform(-0.7, 0.7), mics[index].y_m + RNG.uniform(-0.7, 0.7))
        away = [np.hypot(m.x_m - place[0], m.y_m - place[1]) for m in mics]
        dry = np.concatenate((np.zeros(round(0.1 * RATE_HZ)), burst(seed=trial)))
        recorded = hall.record(dry, place, seed=trial)[:, : round(0.3 * RATE_HZ)]
        recorded = recorded + np.stack([floor(0.3, level_db=-75, seed=100 + 3 * trial + k) for k in range(3)])
        levels = 20 * np.log10(np.abs(recorded).max(axis=1))
        close = closeness_db(levels, [0.0, -4.0, -7.0], [0.8 / 343, 3.3 / 343, 8.7 / 343])
        right += nearest(later_s(list(recorded), RATE_HZ), close) == int(np.argmin(away))
    assert right >= 19
