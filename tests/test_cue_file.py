"""Cue markers in a sidecar, read back with wavinfo and soundfile, two implementations of others."""

import struct

import pytest
import soundfile
from wavinfo import WavInfoReader

from tests.intake.files import wav, write
from triage.domain.errors import AudioError
from triage.intake.chunks import read_layout
from triage.transfer.cue_file import Marker, cue_bytes, is_ours, write_cue_file

MARKERS = [Marker(96_000, 24_000, "keep F#3 staccato ff rep 2"), Marker(48_000, 0, "keep F3 staccato ff rep 1")]


def test_another_reader_finds_places_and_names(tmp_path):
    path = tmp_path / "T001_keep.wav"
    write_cue_file(path, 48_000, MARKERS)
    info = WavInfoReader(str(path))
    found = [(cue.name, cue.sample_offset, cue.position) for cue in info.cues.cues]
    assert found == [(1, 48_000, 48_000), (2, 96_000, 96_000)]
    assert [(label.name, label.text) for label in info.cues.labels] == [
        (1, "keep F3 staccato ff rep 1"),
        (2, "keep F#3 staccato ff rep 2"),
    ]
    assert [(one.name, one.length) for one in info.cues.ranges] == [(2, 24_000)]
    assert info.fmt.sample_rate == 48_000
    assert info.info.software == "take triage"
    assert path.stat().st_size < 400


def test_it_is_a_whole_wav_of_silence(tmp_path):
    path = write(tmp_path / "a.wav", cue_bytes(44_100, MARKERS, silent_frames=44_101))
    samples, rate_hz = soundfile.read(path)
    assert (rate_hz, len(samples), abs(samples).max()) == (44_100, 44_101, 0.0)
    layout = read_layout(path)
    assert [chunk.ident for chunk in layout.chunks] == [b"fmt ", b"cue ", b"LIST", b"LIST", b"data"]
    assert not layout.unpadded and struct.unpack("<I", path.read_bytes()[4:8])[0] == layout.file_bytes - 8


def test_the_layout_of_a_cue_point_is_that_of_the_specification():
    data = cue_bytes(48_000, [Marker(300, 0, "x")])
    at = data.index(b"cue ")
    # dwName, dwPosition, fccChunk, dwChunkStart, dwBlockStart, dwSampleOffset, as the specification lists them.
    assert struct.unpack("<4sIIII4sIII", data[at : at + 36]) == (b"cue ", 28, 1, 1, 300, b"data", 0, 0, 300)


def test_our_own_file_is_replaced_and_nothing_else(tmp_path):
    path = tmp_path / "T001_keep.wav"
    write_cue_file(path, 48_000, MARKERS)
    assert is_ours(path)
    write_cue_file(path, 48_000, MARKERS[:1])
    recording = write(tmp_path / "T002_keep.wav", wav())
    before = recording.read_bytes()
    with pytest.raises(AudioError, match="no cue file of this tool; it stays"):
        write_cue_file(recording, 48_000, MARKERS)
    assert recording.read_bytes() == before
    with pytest.raises(AudioError, match="cannot be written"):
        write_cue_file(tmp_path / "none" / "a.wav", 48_000, MARKERS)


@pytest.mark.parametrize("marker", [Marker(-1, 0, "x"), Marker(2**32, 0, "x"), Marker(0, 2**32, "x")])
def test_what_a_cue_chunk_cannot_hold_is_refused(marker):
    with pytest.raises(AudioError, match="outside of what a cue chunk can hold"):
        cue_bytes(48_000, [marker])
    with pytest.raises(AudioError, match="1 to"):
        cue_bytes(48_000, [], silent_frames=0)
