import os

import numpy as np
import pytest

from tests.intake import files
from triage.domain.errors import AudioError
from triage.intake.wav import blocks, read_format, read_span

FULL_16 = 2**15


def whole(path, **options) -> np.ndarray:
    return np.concatenate(list(blocks(path, **options)), axis=1)


def containers(tmp_path, samples):
    """Every container that intake reads, with the same integers in it."""
    data, n_channels = files.pcm(samples), samples.shape[1]
    head = files.fmt(n_channels)
    odd = files.chunk(b"note", b"odd", pad=False)
    yield files.write(tmp_path / "plain.wav", files.wav(samples))
    yield files.write(tmp_path / "rf64.wav", files.wide(b"RF64", data, head=head))
    yield files.write(tmp_path / "bw64.wav", files.wide(b"BW64", data, head=head))
    yield files.write(tmp_path / "unpadded.wav", files.riff(head, odd, files.chunk(b"data", data)))
    yield files.encode(tmp_path / "a.aiff", samples)
    yield files.encode(tmp_path / "a.flac", samples)


def test_every_container_gives_the_integers_written(tmp_path):
    samples = files.ramp(4_801, 2)
    for path in containers(tmp_path, samples):
        found = whole(path, block_s=0.01)
        assert found.dtype == np.float32 and found.shape == (2, 4_801), path
        np.testing.assert_array_equal(found * FULL_16, samples.T, err_msg=path.name)
        np.testing.assert_array_equal(read_span(path, 1, 0.05, 0.06) * FULL_16, samples[2_400:2_880, 1])


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_every_depth_of_integers_is_read_at_full_scale_1(tmp_path, bits):
    samples = files.ramp(100, 3)
    head = files.fmt_extensible(3, 96_000, bits)
    path = files.write(tmp_path / "x.wav", files.riff(head, files.chunk(b"data", files.pcm(samples, bits))))
    np.testing.assert_array_equal(whole(path) * 2.0 ** (bits - 1), samples.T)
    assert read_format(path).subtype == f"PCM_{bits}"
    assert read_format(path).duration_s == pytest.approx(100 / 96_000)


def test_floats_come_as_they_are_nan_and_over_full_scale_included(tmp_path):
    samples = np.array([0.5, np.nan, -np.inf, 1.5], "<f4")
    data = files.riff(files.fmt(bits=32, tag=3), files.chunk(b"data", samples.tobytes()))
    np.testing.assert_array_equal(whole(files.write(tmp_path / "x.wav", data))[0], samples)


def test_blocks_join_without_gap_and_only_the_last_is_short(tmp_path):
    path = files.write(tmp_path / "x.wav", files.wav(files.ramp(4_801)))
    assert [block.shape[1] for block in blocks(path, block_s=0.05)] == [2_400, 2_400, 1]


def test_channels_are_given_in_the_order_asked_for(tmp_path):
    path = files.write(tmp_path / "x.wav", files.wav(files.ramp(10, 3)))
    np.testing.assert_array_equal(whole(path, channels=[2, 0])[:, 0] * FULL_16, [2000, 0])


def test_a_span_is_cut_to_the_file(tmp_path):
    path = files.write(tmp_path / "x.wav", files.wav(files.ramp(480)))
    assert len(read_span(path, 0, -1.0, 99.0)) == 480
    assert len(read_span(path, 0, 0.009, 99.0)) == 48
    assert read_span(path, 0, 5.0, 6.0).shape == (0,)
    assert read_span(path, 0, 0.005, 0.005).shape == (0,)


def test_the_end_of_a_file_beyond_4_gib_is_reached(tmp_path):
    # Plain WAV ends at 2^32 - 1 bytes (EBU Tech 3306); a sparse file takes no room on disk.
    tail, promised = files.pcm(files.ramp(48)), 2**32 + 96_000
    for kind in (b"RF64", b"BW64"):
        path = files.write(tmp_path / "long.wav", files.wide(kind, b"", promised))
        start = path.stat().st_size
        os.truncate(path, start + promised - len(tail))
        with path.open("ab") as file:
            file.write(tail)
        end_s = promised / 2 / 48_000
        assert read_format(path).frames == promised // 2
        np.testing.assert_array_equal(read_span(path, 0, end_s - 0.001, end_s) * FULL_16, files.ramp(48)[:, 0])


@pytest.mark.parametrize("data", [b"", b"hello" * 50, files.riff(files.fmt())])
def test_what_cannot_be_read_is_one_line_with_its_name(tmp_path, data):
    path = files.write(tmp_path / "x.wav", data)
    for read in (lambda: read_format(path), lambda: list(blocks(path)), lambda: read_span(path, 0, 0, 1)):
        with pytest.raises(AudioError, match=r"x\.wav: cannot be read") as error:
            read()
        assert "\n" not in str(error.value)


def test_a_missing_file_and_a_missing_channel_are_told(tmp_path):
    with pytest.raises(AudioError, match="No such file"):
        read_format(tmp_path / "x.wav")
    path = files.write(tmp_path / "x.wav", files.wav())
    with pytest.raises(AudioError, match="no channel 1; it has 1"):
        read_span(path, 1, 0, 1)
    with pytest.raises(AudioError, match="no channel -1"):
        list(blocks(path, channels=[-1]))


def test_a_cut_flac_file_is_told_once_the_samples_end(tmp_path):
    noise = np.random.default_rng(1).integers(-9_000, 9_000, (48_000, 1))
    path = files.encode(tmp_path / "x.flac", noise)
    os.truncate(path, path.stat().st_size // 2)
    with pytest.raises(AudioError, match="cannot be read"):
        read_span(path, 0, 0.9, 1.0)


def test_a_block_left_unread_leaves_no_file_open(tmp_path):
    for path in containers(tmp_path, files.ramp(4_800, 1)):
        next(blocks(path, block_s=0.01))  # an open file would be a ResourceWarning, and warnings are errors
        path.unlink()


def test_a_real_recording_is_whole(recordings):
    path = sorted(recordings.glob("notes/*/*.flac"))[0]
    found = whole(path, block_s=0.5)
    assert found.shape == (read_format(path).channels, read_format(path).frames)
    assert 0 < np.abs(found).max() <= 1
