import os

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from tests.intake import files
from triage.intake import integrity
from triage.intake.integrity import check_file

PCM = files.pcm(files.ramp())  # 9600 bytes
NOISE = np.random.default_rng(1).integers(-9_000, 9_000, (48_000, 1))


def problem(tmp_path, data: bytes, name: str = "x.wav") -> str | None:
    found = check_file(files.write(tmp_path / name, data)).problem
    assert found is None or (found and "\n" not in found)
    return found


def test_the_facts_of_a_sound_file(tmp_path):
    path = files.write(tmp_path / "x.wav", files.wav(files.ramp(4_410, 2), rate_hz=44_100, bits=24))
    found = check_file(path)
    assert (found.sample_rate_hz, found.subtype, found.bit_depth, found.channels) == (44_100, "PCM_24", 24, 2)
    assert (found.frames, found.duration_s, found.problem) == (4_410, 0.1, None)
    status = path.stat()
    assert (found.path, found.size_bytes, found.mtime_ns) == (path, status.st_size, status.st_mtime_ns)


@pytest.mark.parametrize(
    "bits, tag, subtype, depth",
    [(16, 1, "PCM_16", 16), (24, 1, "PCM_24", 24), (32, 1, "PCM_32", 32), (32, 3, "FLOAT", 32)],
)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_every_format_of_the_design_is_sound(tmp_path, bits, tag, subtype, depth, rate_hz):
    data = bytes(bits // 8 * 960)
    for head in (files.fmt(1, rate_hz, bits, tag), files.fmt_extensible(1, rate_hz, bits, tag)):
        for content in (
            files.riff(head, files.chunk(b"data", data)),
            files.wide(b"RF64", data, head=head),
            files.wide(b"BW64", data, head=head),
        ):
            found = check_file(files.write(tmp_path / "x.wav", content))
            assert (found.problem, found.subtype, found.bit_depth, found.frames) == (None, subtype, depth, 960)
            assert found.sample_rate_hz == rate_hz


@pytest.mark.parametrize("suffix", ["aiff", "flac"])
@pytest.mark.parametrize("subtype, depth", [("PCM_16", 16), ("PCM_24", 24)])
def test_aiff_and_flac_are_sound(tmp_path, suffix, subtype, depth):
    found = check_file(files.encode(tmp_path / f"x.{suffix}", NOISE, subtype))
    assert (found.problem, found.bit_depth, found.frames) == (None, depth, 48_000)


def test_other_chunks_and_missing_pad_bytes_do_no_harm(tmp_path):
    odd = files.pcm(files.ramp(3, 1), 24)  # 9 bytes
    last = files.riff(files.fmt(bits=24), files.chunk(b"data", odd, pad=False))
    assert problem(tmp_path, last) is None  # odd size, no pad byte, and the file ends
    assert problem(tmp_path, files.riff(files.fmt(bits=24), files.chunk(b"data", odd), files.bext())) is None
    assert (
        problem(tmp_path, files.riff(files.fmt(), files.chunk(b"junk", b"odd", pad=False), files.chunk(b"data", PCM)))
        is None
    )
    assert problem(tmp_path, files.wav(extra=files.bext() + files.ixml("a"))) is None


@pytest.mark.parametrize("kept", [1, 100, 9_599])
@pytest.mark.parametrize(
    "make",
    [
        lambda: files.riff(files.fmt(), files.chunk(b"data", PCM)),
        lambda: files.wide(b"RF64", PCM),
        lambda: files.wide(b"BW64", PCM),
    ],
    ids=["WAV", "RF64", "BW64"],
)
def test_a_data_chunk_that_ends_early_is_truncated(tmp_path, make, kept):
    found = problem(tmp_path, make()[: kept - len(PCM)])
    assert (
        found is not None and found.startswith("truncated: 9600 bytes of samples promised") and f" {kept};" in found
    )


def test_a_cut_file_still_tells_what_it_is(tmp_path):
    found = check_file(files.write(tmp_path / "x.wav", files.wav()[:-4_800]))
    assert (found.sample_rate_hz, found.channels, found.frames) == (48_000, 1, 2_400)


def test_rf64_that_promises_more_than_it_holds_is_truncated(tmp_path):
    assert "truncated: 1000000000000 bytes" in str(problem(tmp_path, files.wide(b"RF64", PCM, 10**12)))


@pytest.mark.parametrize("suffix", ["aiff", "flac"])
@pytest.mark.parametrize("lost", [1, 60, 40_000])
def test_a_cut_aiff_or_flac_file_is_truncated(tmp_path, suffix, lost):
    path = files.encode(tmp_path / f"x.{suffix}", NOISE)
    # Both end with samples, so that even one byte lost is a sample lost.
    os.truncate(path, path.stat().st_size - lost)
    assert "truncated" in str(check_file(path).problem)


def test_an_aiff_file_with_fewer_samples_than_it_counts_is_truncated(tmp_path):
    path = files.encode(tmp_path / "x.aiff", NOISE)
    data = path.read_bytes()
    at = data.index(b"COMM") + 10  # 4 identifier, 4 size, 2 channels
    assert "truncated" in str(problem(tmp_path, data[:at] + (96_000).to_bytes(4, "big") + data[at + 4 :], "x.aiff"))


@pytest.mark.parametrize("size", [0, files.UNKNOWN])
def test_a_size_that_the_recorder_never_wrote_is_told(tmp_path, size):
    data = files.riff(files.fmt(), files.chunk(b"data", PCM, size=size))
    assert "length never written" in str(problem(tmp_path, data))


@pytest.mark.parametrize("promised", [0, 2**64 - 1])
def test_a_ds64_that_the_recorder_never_wrote_is_told(tmp_path, promised):
    assert "length never written" in str(problem(tmp_path, files.wide(b"RF64", PCM, promised)))


def test_a_flac_file_without_a_length_is_told(tmp_path):
    data = bytearray(files.encode(tmp_path / "x.flac", NOISE).read_bytes())
    # STREAMINFO, RFC 9639 section 8.2: the 36 bits from bit 108 of the block count samples, 0 = unknown.
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    assert "length never written" in str(problem(tmp_path, bytes(data), "x.flac"))


@pytest.mark.parametrize(
    "data, says",
    [
        (b"", "zero length: 0 bytes"),
        (files.riff(files.fmt(), files.chunk(b"data", b"")), "zero length: a header and no samples"),
        (files.riff(files.fmt(), files.chunk(b"data", b""), files.bext()), "zero length: a header and no samples"),
        (files.riff(files.fmt()), "truncated: a header and no data chunk"),
        (b"RIFF", "not audio"),
        (b"hello world" * 99, "not audio"),
        (b"\0" * 4_096, "not audio"),
        (files.riff(files.fmt(rate_hz=1), files.chunk(b"data", PCM)), "not a sample rate: 1 Hz"),
        (files.riff(files.fmt(channels=0), files.chunk(b"data", PCM)), "unreadable"),
        (
            files.riff(files.fmt(bits=8, tag=7), files.chunk(b"data", PCM)),
            "not audio of a kind used here: WAV of ULAW",
        ),
        (files.riff(files.chunk(b"data", PCM)), "unreadable"),
    ],
)
def test_what_is_no_recording_is_told(tmp_path, data, says):
    assert str(problem(tmp_path, data)).startswith(says)


def test_lossy_audio_under_the_name_of_a_wav_file_is_told(tmp_path):
    soundfile.write(tmp_path / "x.wav", NOISE / 32_768, 48_000, format="OGG", subtype="VORBIS")
    assert "OGG of VORBIS" in str(check_file(tmp_path / "x.wav").problem)


def test_what_is_no_file_is_told(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "link.wav").symlink_to("nowhere.wav")
    assert check_file(tmp_path / "pipe.wav").problem == "not a file"
    assert check_file(tmp_path).problem == "not a file"
    assert "unreadable: No such file" in str(check_file(tmp_path / "link.wav").problem)


def test_a_wav_file_larger_than_its_header_can_state_is_broken(tmp_path):
    path = files.write(tmp_path / "x.wav", files.wav())
    os.truncate(path, 2**32 + 100)  # sparse: no room on disk
    assert "more than a WAV header can state" in str(check_file(path).problem)


def test_a_damaged_file_of_countless_chunks_is_left_soon(tmp_path):
    body = files.chunk(b"null", b"") * 100_000
    assert problem(tmp_path, files.riff(files.fmt(), body)) is not None


@given(st.binary(min_size=1, max_size=60), st.integers(0, 120), st.sampled_from([b"RIFF", b"RF64", b"BW64"]))
def test_no_damage_to_a_header_raises(tmp_path_factory, damage, at, kind):
    data = files.wav(extra=files.bext()) if kind == b"RIFF" else files.wide(kind, PCM)
    data = data[:at] + damage + data[at + len(damage) :]
    problem(tmp_path_factory.getbasetemp(), data)


def test_a_file_that_may_not_be_read_is_not_to_be_copied_again(tmp_path, monkeypatch):
    path = tmp_path / "T001_close.wav"
    path.write_bytes(b"RIFF")

    def refuse(_path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(integrity, "read_layout", refuse)
    problem = check_file(path).problem
    assert problem.startswith("cannot be read: permission denied") and "copy it again" not in problem
