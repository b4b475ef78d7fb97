"""Each planted fault does what it claims, measured with Praat (parselmouth) or plain frame levels."""

import numpy as np
import parselmouth
import pytest

from training import note_editing as shaping
from training.note_editing import Array
from training.performance_faults import FAULTS

RATE_HZ = 48_000


def cents_apart(note: Array, other: Array, start_s: float = 0.3, end_s: float = 1.1) -> float:
    """Return how far ``other`` stands above ``note``, by Praat's autocorrelation (another implementation)."""
    return float(1200 * np.log2(median_hz(other, start_s, end_s) / median_hz(note, start_s, end_s)))


def median_hz(note: Array, start_s: float, end_s: float) -> float:
    piece = note[int(start_s * RATE_HZ) : int(end_s * RATE_HZ)]
    pitch = parselmouth.Sound(piece, RATE_HZ).to_pitch_ac(pitch_floor=60.0, pitch_ceiling=500.0)
    track = pitch.selected_array["frequency"]
    return float(np.median(track[track > 0]))


def level_db(note: Array, start_s: float, end_s: float) -> float:
    return 10 * float(np.log10(np.mean(note[int(start_s * RATE_HZ) : int(end_s * RATE_HZ)] ** 2)))


def length_s(note: Array, drop_db: float = 20.0) -> float:
    """Return the length above ``drop_db`` below the loudest 10 ms, read every millisecond."""
    power = np.convolve(note**2, np.ones(480) / 480, mode="same")[::48]
    return float(np.flatnonzero(power >= power.max() * 10 ** (-drop_db / 10))[-1]) / 1000


def plant(name: str, note: Array, size: float, seed: int = 3) -> Array:
    return FAULTS[name].plant(note, RATE_HZ, np.random.default_rng(seed), size)


@pytest.mark.parametrize("cents", [30.0, -30.0, 45.0])
def test_off_pitch_moves_the_whole_note_by_its_cents(held: Array, cents: float) -> None:
    # Known answer; Praat reads a steady tone within 0.04 cents, the note's own drift is the same in both.
    spoilt = plant("off-pitch", held, cents)
    assert cents_apart(held, spoilt) == pytest.approx(cents, abs=3)
    assert level_db(spoilt, 0.3, 1.0) == pytest.approx(level_db(held, 0.3, 1.0), abs=0.3)


def test_sag_starts_in_tune_and_ends_flat(held: Array) -> None:
    spoilt = plant("sag", held, -50.0)
    assert cents_apart(held, spoilt, 0.05, 0.35) == pytest.approx(0, abs=3)
    # The glide is over at 90 % of about 1.38 s.
    assert cents_apart(held, spoilt, 1.25, 1.4) == pytest.approx(-50, abs=4)


@pytest.mark.parametrize(
    ("name", "size", "cents"), [("semitone", 1, 100), ("semitone", -1, -100), ("tone-away", 2, 200)]
)
def test_a_wrong_note_is_whole_semitones_away(held: Array, name: str, size: float, cents: float) -> None:
    assert cents_apart(held, plant(name, held, size)) == pytest.approx(cents, abs=3)


@pytest.mark.parametrize("size", [6.0, -5.0])
def test_level_step_is_gain_and_nothing_else(held: Array, size: float) -> None:
    assert plant("level-step", held, size) == pytest.approx(held * 10 ** (size / 20), rel=1e-12)


def test_swell_grows_by_its_size(held: Array) -> None:
    spoilt = plant("swell", held, 8.0)
    assert level_db(spoilt, 0.05, 0.2) == pytest.approx(level_db(held, 0.05, 0.2), abs=0.01)
    assert level_db(spoilt, 1.28, 1.35) - level_db(held, 1.28, 1.35) == pytest.approx(8, abs=0.3)


@pytest.mark.parametrize(("name", "ratio"), [("short", 0.5), ("short", 0.6), ("long", 1.8)])
def test_a_held_note_gets_its_length_and_keeps_attack_and_release(held: Array, name: str, ratio: float) -> None:
    spoilt = plant(name, held, ratio)
    # The splice may move by 16 ms to fall in phase.
    assert length_s(spoilt) == pytest.approx(ratio * length_s(held), abs=0.03)
    assert (spoilt[: int(0.3 * RATE_HZ)] == held[: int(0.3 * RATE_HZ)]).all()
    assert (spoilt[-int(0.6 * RATE_HZ) :] == held[-int(0.6 * RATE_HZ) :]).all()


def test_the_splice_of_a_short_note_is_smooth(held: Array) -> None:
    spoilt = plant("short", held, 0.5)
    assert np.abs(np.diff(spoilt)).max() <= 1.1 * np.abs(np.diff(held)).max()
    # The sounding part ends at about 0.7 s.
    levels = shaping.frame_levels_db(spoilt[int(0.2 * RATE_HZ) : int(0.55 * RATE_HZ)], RATE_HZ, 0.02)
    assert np.ptp(levels) < 2


def test_a_plucked_note_is_damped_early(plucked: Array) -> None:
    # It falls by 40 dB a second: 20 dB down after 0.5 s; half of that is asked for.
    assert length_s(plant("short", plucked, 0.5)) == pytest.approx(0.25, abs=0.02)


@pytest.mark.parametrize("size", [9.0, -9.0])
def test_shelf_changes_colour_and_not_level(held: Array, size: float) -> None:
    spoilt = plant("shelf", held, size)
    end = shaping.sounding_end(held, RATE_HZ)
    assert shaping.rms_db(spoilt[:end]) == pytest.approx(shaping.rms_db(held[:end]), abs=1e-6)
    before, after = (np.abs(np.fft.rfft(note[:end] * np.hanning(end))) for note in (held, spoilt))
    hz = np.fft.rfftfreq(end, 1 / RATE_HZ)
    gain_db = 20 * np.log10(after / before)
    treble, tone = (float(np.median(gain_db[(hz > low) & (hz < high)])) for low, high in ((6000, 9000), (125, 136)))
    # Known answer: the formula of a first-order shelf, at twice the note's own centre.
    corner_hz = 2 * shaping.centroid_hz(held[:end], RATE_HZ)
    expected = shelf_db(7300, corner_hz, size) - shelf_db(130.8, corner_hz, size)
    assert treble - tone == pytest.approx(expected, abs=0.3)
    assert abs(expected) > 6


def shelf_db(hz: float, corner_hz: float, gain_db: float) -> float:
    root = 10 ** (gain_db / 40)
    return float(20 * np.log10(abs((1j * hz * root + corner_hz) / (1j * hz / root + corner_hz))))


@pytest.mark.parametrize("seed", range(6))  # one in three wavers in pitch too
def test_wobble_has_its_depth_and_a_rate_of_4_to_8_hz(held: Array, seed: int) -> None:
    levels = [shaping.frame_levels_db(note, RATE_HZ, 0.01) for note in (held, plant("wobble", held, 4.0, seed))]
    contour = (levels[1] - levels[0])[20:120]  # one second
    assert (contour.max(), contour.min()) == pytest.approx((4, -4), abs=0.7)
    rate_hz = np.argmax(np.abs(np.fft.rfft(contour * np.hanning(100), 1000))) / 10
    assert 3.9 < rate_hz < 8.1


def test_cut_off_leaves_nothing_of_the_release(held: Array) -> None:
    spoilt = plant("cut-off", held, 0.01)
    assert length_s(spoilt, 60) - length_s(spoilt, 6) < 0.02
    assert length_s(held, 60) - length_s(held, 6) > 0.2


def test_cracked_speaks_on_another_partial_first(held: Array) -> None:
    spoilt = plant("cracked", held, 0.15)
    ratio = median_hz(spoilt, 0.03, 0.13) / median_hz(held, 0.03, 0.13)
    nearest = min((2 / 3, 3 / 4, 4 / 3, 3 / 2), key=lambda one: abs(np.log(ratio / one)))
    assert 1200 * np.log2(ratio / nearest) == pytest.approx(0, abs=15)
    assert (spoilt[int(0.17 * RATE_HZ) :] == held[int(0.17 * RATE_HZ) :]).all()


def test_pitch_break_scoops_into_the_note(held: Array) -> None:
    spoilt = plant("pitch-break", held, 0.15)
    assert abs(cents_apart(held, spoilt, 0.0, 0.08)) > 50
    assert cents_apart(held, spoilt, 0.3, 1.0) == pytest.approx(0, abs=2)


def test_respeak_chokes_and_comes_back(held: Array) -> None:
    fall = shaping.frame_levels_db(plant("respeak", held, 0.12), RATE_HZ) - shaping.frame_levels_db(held, RATE_HZ)
    assert -24.5 < fall[:24].min() < -13.5
    assert fall[30:60] == pytest.approx(0, abs=1e-6)


def test_breathy_puts_air_before_the_tone(held: Array) -> None:
    spoilt = plant("breathy", held, 0.12)
    air, tone = (high_share(note[: int(0.04 * RATE_HZ)]) for note in (spoilt, held))
    assert air > 10 * tone
    assert level_db(spoilt, 0.0, 0.04) < level_db(held, 0.0, 0.04)


def high_share(piece: Array) -> float:
    power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)))) ** 2
    return float(power[np.fft.rfftfreq(len(piece), 1 / RATE_HZ) > 3000].sum() / power.sum())


def test_late_takes_longer_to_speak(held: Array) -> None:
    def within_3_db_s(note: Array) -> float:
        levels = shaping.frame_levels_db(note, RATE_HZ)
        return float(np.argmax(levels >= levels.max() - 3)) * 0.005

    assert within_3_db_s(plant("late", held, 0.1)) - within_3_db_s(held) > 0.1


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_a_fault_is_the_same_twice_and_leaves_its_input_alone(name: str, held: Array) -> None:
    before = held.copy()
    fault = FAULTS[name]
    first, second = (fault.plant(held, RATE_HZ, np.random.default_rng(8), fault.high) for _ in range(2))
    assert (first == second).all() and np.isfinite(first).all()
    assert (held == before).all()


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_drawn_sizes_stay_in_range_and_go_both_ways_where_signed(name: str) -> None:
    rng, fault = np.random.default_rng(2), FAULTS[name]
    sizes = [fault.draw(rng) for _ in range(60)]
    assert all(fault.low <= abs(size) <= fault.high for size in sizes)
    assert (min(sizes) < 0) == fault.signed
    assert fault.draw(rng, {name: (700.0, 700.0)}) in (700.0, -700.0)


def test_a_plucked_note_carries_no_fault_of_held_ones(held: Array, plucked: Array) -> None:
    assert {name for name, fault in FAULTS.items() if not fault.suits(held, RATE_HZ)} == set()
    refused = {name for name, fault in FAULTS.items() if not fault.suits(plucked, RATE_HZ)}
    assert {"wobble", "swell", "long", "cracked", "sag"} <= refused
    assert not {"off-pitch", "short", "level-step", "shelf", "semitone"} & refused
