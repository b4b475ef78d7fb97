"""What is drawn of a take at intake, and the digest of its sound that verdicts are held to."""

import json
import zlib

import numpy as np
import pytest

from tests.sessions import RATE_HZ, play
from tests.test_take import analysed


@pytest.fixture(scope="module")
def tracks():
    return play([60, 62], 1)


@pytest.fixture(scope="module")
def apart(tracks, tmp_path_factory):
    return analysed(tmp_path_factory.mktemp("apart"), tracks, together=False)


def test_every_microphone_is_drawn_the_measured_one_finely_and_with_its_pitch(apart, tracks):
    found = {preview.mic: preview for preview in apart.previews}
    assert list(found) == ["close", "room"]
    assert (found["close"].picture_hop_s, found["room"].picture_hop_s) == (0.02, pytest.approx(0.06))
    columns = np.frombuffer(zlib.decompress(found["room"].wave), "<i2").reshape(-1, 2)
    assert len(columns) == -(-tracks.shape[1] // (RATE_HZ // 100))
    assert columns.max() / 32767 == pytest.approx(tracks[1].max(), abs=1e-3)
    assert found["room"].contours is None


def test_the_pitch_drawn_is_the_pitch_measured(apart):
    contours = json.loads(zlib.decompress(apart.previews[0].contours))["courses"]
    assert [one["note"] for one in contours] == [1, 2]
    for one, note in zip(contours, apart.notes, strict=True):
        voiced = [cents for cents in one["cents"] if cents is not None]
        measured = 100 * (69 + 12 * np.log2(note.measurements["f0_hz"] / 442.0))
        assert np.median(voiced) == pytest.approx(measured, abs=5)
        assert one["start_s"] == pytest.approx(note.start_s, abs=1e-3)


def test_the_same_sound_has_the_same_digest_in_one_file_or_in_several(apart, tracks, tmp_path):
    together = analysed(tmp_path, tracks, together=True)
    assert together.audio_digest == apart.audio_digest is not None
    # A copy has another time of change, so it is analysed again, and nobody has to hear it again.
    assert together.fingerprint != apart.fingerprint


def test_one_changed_sample_of_one_microphone_changes_the_digest(apart, tracks, tmp_path):
    changed = tracks.copy()
    changed[1, 1000] += 2**-22
    assert analysed(tmp_path, changed, together=False).audio_digest != apart.audio_digest
