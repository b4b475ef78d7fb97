"""Location: delays at known distances, the nearest of several microphones, tracks that are late as a whole."""

import numpy as np
import pytest
from scipy import signal

from tests.listen.sounds import RATE_HZ, floor
from training.rooms import HallRecipe, MicRecipe, build_hall
from triage.listen.natural_sounds import away_from_player_s
from triage.listen.nearest_mic import apart_s, arrivals, by_nearness, closeness_db, correlations, later_s, speed_m_s

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
    return np.stack(segments)


def lags_of(segments, rate_hz=RATE_HZ):
    return later_s(correlations(segments, rate_hz), rate_hz)


def test_the_speed_of_sound_is_that_of_the_standard():
    # ISO 9613-1: c = 343.2 sqrt(T / 293.15 K)
    for celsius in (0.0, 10.0, 20.0, 30.0):
        assert speed_m_s(celsius) == pytest.approx(343.2 * np.sqrt((celsius + 273.15) / 293.15), abs=0.5)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("away_m", [0.5, 2.0, 5.15, 12.0])
def test_a_known_distance_gives_its_delay(away_m, rate_hz):
    # known answer: distance / speed of sound, here 343.42 m/s, to within a sample and a half
    later = lags_of(recorded_at([1.0, 1.0 + away_m], rate_hz), rate_hz)
    assert later[1, 0] == pytest.approx(away_m / 343.42, abs=1.5 / rate_hz)
    assert later[0, 1] == -later[1, 0]


def test_noises_of_their_own_have_seldom_a_delay():
    pairs = [np.stack([floor(0.3, level_db=-50, seed=k), floor(0.3, level_db=-50, seed=50 + k)]) for k in range(20)]
    assert sum(np.isfinite(lags_of(pair)[0, 1]) for pair in pairs) <= 3


def test_who_hears_it_first_is_nearest_even_where_another_is_louder():
    correlated = correlations(recorded_at([3.0, 1.0, 6.0]), RATE_HZ)
    found = arrivals(correlated, apart_s(np.array([0.0, 0.004, 0.01])), RATE_HZ)
    # known answer: 2 m and 3 m further than the nearest
    assert found[0][1] == pytest.approx(np.array([0.0, -2.0, 3.0]) / 343.42, abs=1.5 / RATE_HZ)
    assert by_nearness(found, np.array([10.0, 0.0, 5.0]))[0] == 1


def test_without_agreement_the_level_decides():
    found = [(4.0, np.array([0.0, 0.002])), (3.9, np.array([0.0, -0.002]))]
    assert by_nearness(found, np.array([-26.0, -20.0])) == (1, 0)  # and the other may as well be it
    tied = [(30.0, np.array([0.0, -0.0002])), (4.0, np.array([0.0, 0.004]))]  # 7 cm
    assert by_nearness(tied, np.array([-20.0, -26.0]))[0] == 0


def test_what_comes_from_the_players_place_is_told_from_what_does_not():
    distances_m = [1.0, 3.0, 7.0]
    lag_s = (np.array(distances_m) - 1.0) / speed_m_s()
    assert away_from_player_s(lags_of(recorded_at(distances_m)), lag_s) < 0.0002
    assert away_from_player_s(lags_of(recorded_at([4.0, 1.0, 5.0])), lag_s) > 0.008
    assert np.isnan(away_from_player_s(np.full((2, 2), np.nan), np.zeros(2)))


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
        lags = np.array([0.8, 3.3, 8.7]) / 343
        found = arrivals(correlations(recorded, RATE_HZ), apart_s(lags), RATE_HZ)
        right += by_nearness(found, close)[0] == int(np.argmin(away))
    assert right >= 19
