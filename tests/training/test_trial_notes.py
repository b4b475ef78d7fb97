"""Planted faults on dry notes: each moves what it says by what it says, measured by other means."""

import numpy as np
import parselmouth
import pytest

from tests.training.public_folder import tone
from training.trial.jnd import JNDS, amount, is_reject
from training.trial.noises import PASSING, Clips, lasting, loudest, puff
from training.trial.notes import SPOILS, TrialNote, bent, found_in, shortened, spoilt
from training.trial.rooms import RATE_HZ, floor, impulse_response
from training.trial.technical import TECHNICAL, clipped, delayed

MIDI = 60


@pytest.fixture(scope="module")
def note() -> TrialNote:
    return found_in(np.concatenate((np.zeros(9_600), tone(MIDI, rate_hz=RATE_HZ), np.zeros(9_600))))


def contour(note: TrialNote) -> np.ndarray:
    """Return the pitch of the held part in cents off MIDI 60, by Praat's autocorrelation."""
    pitch = parselmouth.Sound(note.held, RATE_HZ).to_pitch_ac(0.01, 100, 4).selected_array["frequency"]
    return 1200 * np.log2(pitch[pitch > 0] / (440 * 2 ** ((MIDI - 69) / 12)))


def change(note: TrialNote, kind: str, size: float) -> TrialNote:
    return spoilt(note, kind, size, MIDI, np.random.default_rng(3))


def centroid(note: TrialNote) -> float:
    magnitude = np.abs(np.fft.rfft(note.held))
    return float(magnitude @ np.fft.rfftfreq(len(note.held), 1 / RATE_HZ) / magnitude.sum())


def test_the_note_is_found_from_its_onset_to_its_release(note):
    assert note.onset == pytest.approx(0.02 * RATE_HZ, abs=1)
    assert len(note.held) / RATE_HZ == pytest.approx(1.85, abs=0.06)


@pytest.mark.parametrize(("kind", "sign"), [("sharp", 1), ("flat", -1)])
@pytest.mark.parametrize("size", [0.5, 2, 8])
def test_cents_are_as_planted(note, kind, sign, size):
    moved = np.median(contour(change(note, kind, size))) - np.median(contour(note))
    assert moved == pytest.approx(sign * 5 * size, abs=0.7)


def test_a_late_sag_leaves_the_middle_and_lowers_the_end(note):
    cents = contour(change(note, "late sag", 4))
    assert abs(np.median(cents[: len(cents) // 2])) < 1
    assert cents[-3:].mean() == pytest.approx(-40, abs=4)


@pytest.mark.parametrize("kind", ["wobble", "vibrato"])
def test_a_swing_has_the_planted_peak(note, kind):
    cents = contour(change(note, kind, 3))[20:-10]
    assert (cents.max() - cents.min()) / 2 == pytest.approx(amount(kind, 3), rel=0.2)


@pytest.mark.parametrize(("kind", "sign"), [("too loud", 1), ("too soft", -1)])
def test_level_is_as_planted(note, kind, sign):
    assert change(note, kind, 3).level_db - note.level_db == pytest.approx(3 * sign, abs=0.01)


def test_length_is_as_planted_and_the_release_stays(note):
    short = change(note, "too short", 3)
    assert len(short.held) == pytest.approx(0.7 * len(note.held), abs=2)
    assert np.array_equal(short.samples[-4_800:], note.samples[-4_800:])


def test_shortening_leaves_no_step(note):
    short = shortened(note, 0.6)
    assert np.abs(np.diff(short.held)).max() < 1.3 * np.abs(np.diff(note.held)).max()


def test_bending_by_nothing_changes_nothing_that_counts(note):
    same = bent(note, np.zeros(2))
    size = min(len(same.samples), len(note.samples))
    assert np.abs(same.samples[:size] - note.samples[:size]).max() < 0.01 * np.abs(note.samples).max()


def test_a_dull_note_is_darker_and_a_bright_one_brighter_at_the_same_level(note):
    dull, bright = change(note, "dull", 3), change(note, "bright", 3)
    assert centroid(dull) < centroid(note) < centroid(bright)
    assert dull.level_db == pytest.approx(note.level_db, abs=0.05)


def test_a_swell_rises_and_a_fade_falls(note):
    def rise(one: TrialNote) -> float:
        half = len(one.held) // 2
        return float(10 * np.log10(np.mean(one.held[half:] ** 2) / np.mean(one.held[:half] ** 2)))

    assert rise(change(note, "swell", 4)) - rise(note) == pytest.approx(3, abs=0.5)  # 6 dB from start to end
    assert rise(change(note, "fade", 4)) - rise(note) == pytest.approx(-3, abs=0.5)


@pytest.mark.parametrize(
    "kind", ["slow attack", "cracked attack", "breathy start", "swell", "fade", "dull", "bright"]
)
def test_a_larger_fault_changes_more(note, kind):
    def distance(size: float) -> float:
        return float(np.sum((change(note, kind, size).samples - note.samples) ** 2))

    assert 0 < distance(0.5) < distance(2) < distance(5)


def test_a_split_attack_puts_a_softer_start_before_the_whole_note(note):
    split = change(note, "split attack", 3)
    shift = len(split.samples) - len(note.samples)
    assert shift / RATE_HZ == pytest.approx(0.13, abs=0.001)
    assert np.array_equal(split.samples[shift:], note.samples)
    assert 0 < np.abs(split.samples[:shift]).max() < 0.25 * np.abs(note.samples).max()


def test_what_a_producer_rejects_follows_from_the_size():
    assert [is_reject("sharp", size) for size in (0.5, 1.0, 1.5, 8.0)] == [False, False, True, True]
    assert is_reject("dropout", None)
    assert set(SPOILS) <= set(JNDS)
    assert all(jnd.source and jnd.unit and jnd.step > 0 for jnd in JNDS.values())


@pytest.mark.parametrize("kind", PASSING)
def test_a_passing_noise_has_the_level_of_one(kind):
    noise = Clips(None).noise(kind, np.random.default_rng(2))
    assert loudest(noise) == pytest.approx(1)
    assert len(noise) < 2 * RATE_HZ


def share_between(noise: np.ndarray, low_hz: float, high_hz: float) -> float:
    power = np.abs(np.fft.rfft(noise)) ** 2
    hz = np.fft.rfftfreq(len(noise), 1 / RATE_HZ)
    return float(power[(hz >= low_hz) & (hz <= high_hz)].sum() / power.sum())


def test_lasting_noises_and_puffs_lie_where_they_should():
    rng = np.random.default_rng(1)
    assert share_between(lasting("hum", RATE_HZ, rng), 45, 365) > 0.99
    assert share_between(lasting("rumble", RATE_HZ, rng), 0, 60) > 0.9
    assert share_between(lasting("hiss", RATE_HZ, rng), 2_500, 24_000) > 0.9
    assert share_between(puff(rng), 0, 75) > 0.9


def test_a_farther_microphone_hears_later_and_less_direct():
    size, source = np.array([20.0, 14.0, 7.0]), np.array([5.0, 7.0, 1.4])
    near, far = (impulse_response(size, source, m, 0.25, np.random.default_rng(1)) for m in (1.0, 8.0))
    shift = (np.argmax(np.abs(far)) - np.argmax(np.abs(near))) / RATE_HZ
    assert shift == pytest.approx(7 / 343, abs=0.001)
    assert np.abs(near).max() ** 2 / np.sum(near**2) > 4 * np.abs(far).max() ** 2 / np.sum(far**2)


def test_the_noise_floor_has_its_level():
    assert 10 * np.log10(np.mean(floor(RATE_HZ, -70, -3, np.random.default_rng(1)) ** 2)) == pytest.approx(-70)


@pytest.mark.parametrize("kind", sorted(TECHNICAL))
def test_a_technical_fault_spoils_one_track_and_keeps_its_length(kind):
    rng = np.random.default_rng(4)
    tracks = {name: 0.2 * tone(MIDI, rate_hz=RATE_HZ) for name in ("close", "main", "room")}
    after = TECHNICAL[kind](tracks, rng)
    changed = [name for name in tracks if not np.array_equal(tracks[name], after[name])]
    assert len(changed) == 1
    assert all(len(after[name]) == len(tracks[name]) for name in tracks)


def test_polarity_and_delay_show_in_the_cross_correlation():
    rng = np.random.default_rng(5)
    track = rng.standard_normal(RATE_HZ // 4)
    after = TECHNICAL["polarity"]({"close": track}, rng)["close"]
    assert np.corrcoef(track, after)[0, 1] == pytest.approx(-1)
    late = delayed(track, 0.01)
    lag = int(np.argmax(np.correlate(late, track[: RATE_HZ // 8], "valid")))
    assert lag == 480


def test_clipping_below_full_scale_leaves_flat_tops_at_its_level():
    flat = clipped(np.sin(np.linspace(0, 60, RATE_HZ)), 0.1, 0.5)
    assert np.abs(flat).max() == pytest.approx(0.1)
    assert np.mean(np.abs(flat) > 0.0999) > 0.5
