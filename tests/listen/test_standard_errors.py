"""Standard errors of measurements against their spread over many computed notes alike."""

import numpy as np
import pytest
from scipy.signal import lfilter

from triage.listen.measure import measure_and_follow, window
from triage.listen.notes import NoteSegment

RATE_HZ = 48_000


def measured(length_s=1.0, floor_dbfs=-60.0, seed=0, gain=1.0, bend_cents=0.0):
    """A note of ten partials on a background: values, errors; ``bend_cents`` is how far it sags to its end."""
    rng = np.random.default_rng(seed)
    t = np.arange(round((length_s + 1.0) * RATE_HZ)) / RATE_HZ
    sounding = np.clip((t - 0.3) / 0.02, 0, 1) * np.where(t > 0.3 + length_s, np.exp((0.3 + length_s - t) / 0.05), 1)
    hz = 220 * 2 ** (bend_cents / 1200 * np.clip((t - 0.3) / length_s, 0, 1))
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    wave = gain * 0.1 * sounding * sum(np.sin(k * phase + k) / k for k in range(1, 11))
    background = lfilter([1.0], [1.0, -0.96], rng.standard_normal(t.size))  # falls above 300 Hz, as in a room
    wave = wave + 10 ** (floor_dbfs / 20) * background / background.std()
    note = NoteSegment(0.3, 0.3 + length_s, min(0.6 + length_s, t[-1]), -20.0)
    first_s, last_s = window(note, t[-1])
    part = wave[round(first_s * RATE_HZ) : round(last_s * RATE_HZ)]
    return measure_and_follow(part, RATE_HZ, note, floor_dbfs, [220.0])[:2]


@pytest.mark.parametrize(
    "name, low, high", [("level_dbfs", 0.3, 4), ("attack_50_db", 0.3, 4), ("cents_drift", 0.2, 5)]
)
def test_an_error_is_of_the_size_of_the_spread(name, low, high):
    runs = [measured(0.6, -45.0, seed) for seed in range(16)]
    spread = np.std([found[name] for found, _ in runs])
    assert low < np.median([errors[name] for _, errors in runs]) / spread < high


@pytest.mark.parametrize("name", ["level_dbfs", "cents", "attack_20_db", "length_s", "steadiness_db"])
def test_a_distant_microphone_widens_every_error(name):
    assert measured(floor_dbfs=-35.0)[1][name] > 2 * measured(floor_dbfs=-65.0)[1][name]


@pytest.mark.parametrize("name", ["cents", "cents_drift", "level_slope_db_s", "steadiness_db"])
def test_a_short_note_widens_the_errors_of_what_needs_time(name):
    assert measured(0.3, -45.0)[1][name] > 1.2 * measured(1.6, -45.0)[1][name]


def test_a_fault_of_the_playing_does_not_pass_for_a_wide_error():
    plain, sagging = measured(floor_dbfs=-60.0)[1], measured(floor_dbfs=-60.0, bend_cents=-40)[1]
    assert sagging["end_cents"] < 4 and sagging["cents"] < 1
    assert measured(gain=0.4)[1]["level_dbfs"] < 0.3 and plain["level_dbfs"] < 0.1


def test_what_holds_nothing_has_no_error_and_what_is_unknown_is_left_out():
    note = NoteSegment(0.3, 0.8, 1.0, -20.0)
    assert measure_and_follow(np.zeros(RATE_HZ), RATE_HZ, note, -60.0)[1] == {}
    assert all(np.isfinite(list(measured()[1].values())))
    assert "centroid_hz" not in measured()[1]  # nothing in a note's own frames tells it
