"""The hall against physics: travel time, distance, reverberation time, floors."""

import numpy as np
import pytest
from scipy import signal

from training.note_editing import rms_db
from training.rooms import Hall, HallRecipe, MicRecipe, build_hall

RATE_HZ = 48_000
MICS = (
    MicRecipe(name="close", role="close", x_m=0.8, y_m=0.0, floor_dbfs=-70.0),
    MicRecipe(name="room", role="room", x_m=6.86, y_m=0.0, level_db=-6.0, floor_dbfs=-65.0, hum_dbfs=-60.0),
)


@pytest.fixture(scope="module")
def hall() -> Hall:
    return build_hall(MICS, HallRecipe(rt60_s=1.2), RATE_HZ, seed=3)


def test_sound_arrives_after_distance_over_343_m_s(hall: Hall) -> None:
    impulse = np.zeros(100)
    impulse[0] = 1.0
    recorded = hall.record(impulse)
    first = [int(np.flatnonzero(np.abs(track) > 1e-6)[0]) for track in recorded]
    # Computed: 0.8 m and 6.86 m at 343 m/s (speed of sound in air at 20 degrees C).
    assert first == pytest.approx([0.8 / 343 * RATE_HZ, 0.02 * RATE_HZ], abs=1)


def test_the_tail_falls_by_60_db_in_the_reverberation_time(hall: Hall) -> None:
    # Schroeder's backward integration, T20 from -5 to -25 dB (ISO 3382-1), in the octave at 700 Hz.
    sos = signal.butter(3, (500, 990), "bandpass", fs=RATE_HZ, output="sos")
    response = signal.sosfilt(sos, hall.record(np.concatenate(([1.0], np.zeros(99))))[1])
    decay_db = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1])
    decay_db -= decay_db[0]
    begin, end = (int(np.argmax(decay_db <= level)) for level in (-5, -25))
    assert 3 * (end - begin) / RATE_HZ == pytest.approx(1.2, rel=0.1)


def test_the_close_microphone_is_nearly_dry_and_the_room_one_is_wet(hall: Hall) -> None:
    recorded = hall.record(np.concatenate(([1.0], np.zeros(99))))
    direct_db = [10 * np.log10((track[:1000] ** 2).sum() / (track[1000:] ** 2).sum()) for track in recorded]
    assert direct_db[0] > 6 and direct_db[1] < -4


def test_the_player_comes_through_at_the_stated_level(hall: Hall) -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(RATE_HZ)
    recorded = hall.record(noise)
    energy_db = [10 * np.log10((track**2).sum() / (noise**2).sum()) for track in recorded]
    assert energy_db == pytest.approx([0, -6], abs=1)  # early reflections come on top


def test_a_noise_near_a_microphone_is_loudest_there(hall: Hall) -> None:
    knock = np.random.default_rng(2).standard_normal(2400)
    near_close, near_room = (hall.record(knock, place) for place in ((1.2, 0.4), (6.2, 0.5)))
    gain_db = [rms_db(near_room[i]) - rms_db(near_close[i]) for i in (0, 1)]
    assert gain_db[0] < -3 and gain_db[1] > 3


def test_floors_have_their_levels_and_hum(hall: Hall) -> None:
    floors = hall.floors(2 * RATE_HZ, np.random.default_rng(5))
    assert rms_db(floors[0]) == pytest.approx(-70, abs=0.01)
    assert rms_db(floors[1]) == pytest.approx(10 * np.log10(10**-6.5 + 10**-6.0), abs=0.2)
    spectrum = np.abs(np.fft.rfft(floors[1]))
    assert np.argmax(spectrum) == 100  # 50 Hz in bins of 0.5 Hz


def test_the_same_seed_builds_the_same_hall_and_another_does_not(hall: Hall) -> None:
    again, other = (build_hall(MICS, HallRecipe(rt60_s=1.2), RATE_HZ, seed) for seed in (3, 4))
    assert all((a == b).all() for a, b in zip(hall.tails, again.tails, strict=True))
    assert not (hall.tails[0] == other.tails[0]).all()
    assert not (hall.tails[0] == hall.tails[1]).all()
