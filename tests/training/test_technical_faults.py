"""Each technical fault does what it claims to the tracks."""

import numpy as np
import pytest
from scipy import signal

from training.note_editing import Array
from training.technical_faults import MISHAPS, Where

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def tracks() -> Array:
    rng = np.random.default_rng(4)
    envelope = np.interp(np.arange(2 * RATE_HZ), [0, 9600, 60_000, 96_000], [0.001, 1, 0.5, 0.001])
    return 0.1 * rng.standard_normal((3, 2 * RATE_HZ)) * envelope


def spoil(kind: str, tracks: Array, size: float, seed: int = 0) -> tuple[Array, Where]:
    return MISHAPS[kind].spoil(tracks, RATE_HZ, np.random.default_rng(seed), size)


@pytest.mark.parametrize("seed", range(6))
def test_dropout_is_a_run_of_zeros_of_its_length(tracks: Array, seed: int) -> None:
    out, where = spoil("dropout", tracks, 0.02, seed)
    zeros = (out == 0).sum(axis=1)
    assert where.stop - where.start == 960
    assert set(zeros) <= {0, 960} and (zeros == 960).sum() == (3 if where.channel is None else 1)
    assert (out[:, where.start : where.stop] == 0).all(axis=1).sum() == (zeros == 960).sum()


def test_clipped_stands_flat_at_full_scale_on_one_track(tracks: Array) -> None:
    out, where = spoil("clipped", tracks, 6.0)
    assert where.channel is not None
    assert np.abs(out[where.channel]).max() == 1.0
    # 6 dB over: everything above half of the track's own peak is flattened.
    high = np.abs(tracks[where.channel]) > 10 ** (-6 / 20) * np.abs(tracks[where.channel]).max()
    assert (np.abs(out[where.channel][high]) == 1.0).all()
    assert (np.delete(out, where.channel, axis=0) == np.delete(tracks, where.channel, axis=0)).all()


def test_a_dead_track_has_only_its_floor(tracks: Array) -> None:
    out, where = spoil("dead-track", tracks, -90.0)
    assert 10 * np.log10(np.mean(out[where.channel] ** 2)) == pytest.approx(-90, abs=0.01)


def test_polarity_turns_one_track_over(tracks: Array) -> None:
    out, where = spoil("polarity", tracks, 1.0)
    assert [bool((a == -b).all()) for a, b in zip(out, tracks, strict=True)].count(True) == 1
    assert (out[where.channel] == -tracks[where.channel]).all()


def test_delay_shifts_one_track_by_its_time(tracks: Array) -> None:
    out, where = spoil("delay", tracks, 0.01)
    recorded, sent = out[where.channel], tracks[where.channel]
    lag = int(np.argmax(signal.correlate(recorded, sent, mode="full"))) - (len(sent) - 1)
    assert lag == 480 and out.shape == tracks.shape


def test_a_click_is_a_few_samples_at_its_level(tracks: Array) -> None:
    out, where = spoil("digital-click", tracks, -12.0)
    changed = np.argwhere(out != tracks)
    assert 1 <= len(changed) <= 3 and (changed[:, 0] == where.channel).all()
    height = np.abs(out - tracks).max() / np.abs(tracks[where.channel]).max()
    assert 20 * np.log10(height) == pytest.approx(-12, abs=0.01)


@pytest.mark.parametrize("kind", sorted(MISHAPS))
def test_a_mishap_is_the_same_twice_and_leaves_its_input_alone(kind: str, tracks: Array) -> None:
    before, size = tracks.copy(), MISHAPS[kind].draw(np.random.default_rng(1))
    assert (spoil(kind, tracks, size)[0] == spoil(kind, tracks, size)[0]).all()
    assert (tracks == before).all()
