"""What is drawn of a track: outlines, pictures and pitch contours, against values worked out by hand."""

import io
import json
import zlib

import numpy as np
import pytest
from PIL import Image

from tests.listen.sounds import RATE_HZ, tone
from triage.domain.errors import AudioError
from triage.listen.logmel import LogMel
from triage.listen.pitch import track
from triage.listen.preview import (
    HIGHEST_DB,
    LOWEST_DB,
    MOST_COLUMNS,
    Contour,
    Sketch,
    compress_contours,
    contour,
    grey_png,
    spectrogram,
)


def pixels(png: bytes) -> np.ndarray:
    """Read a PNG with another implementation than ours."""
    image = Image.open(io.BytesIO(png))
    assert image.mode == "L"
    return np.array(image)


def sketched(waveform: np.ndarray, block: int, rate_hz: int = 1000) -> Sketch:
    sketch = Sketch(rate_hz, len(waveform))
    for first in range(0, waveform.shape[1], block):
        sketch.add(waveform[:, first : first + block].astype(np.float32))
    return sketch


def columns(sketch: Sketch, channel: int = 0) -> np.ndarray:
    return np.frombuffer(zlib.decompress(sketch.outline(channel).compressed), "<i2").reshape(-1, 2)


def test_an_outline_holds_the_lowest_and_highest_sample_of_every_hop():
    wave = np.zeros((2, 25))  # 2.5 columns of 10 ms at 1 kHz
    wave[0, 3], wave[0, 17], wave[0, 24] = 0.5, -1.5, 0.25
    sketch = sketched(wave, 7)
    assert sketch.outline(0).hop_s == 0.01
    assert columns(sketch).tolist() == [[0, 16384], [-32767, 0], [0, 8192]]
    assert not columns(sketch, 1).any()


def test_outline_and_digest_are_the_same_however_the_file_was_read():
    wave = np.random.default_rng(1).uniform(-1, 1, (2, 1234))
    one, other = sketched(wave, 1234), sketched(wave, 77)
    assert one.outline(1) == other.outline(1) and one.digest(0) == other.digest(0)
    assert one.digest(0) != one.digest(1)


def test_a_digest_tells_one_changed_sample():
    wave = np.zeros((1, 500), np.float32)
    before = sketched(wave, 100).digest(0)
    wave[0, 321] = 2**-23  # the smallest step of 24 bit
    assert sketched(wave, 100).digest(0) != before


def test_a_long_take_gets_wider_columns_and_keeps_its_peaks():
    wave = np.zeros((1, 10 * MOST_COLUMNS * 3))
    wave[0, 12_345] = 1.0
    sketch = sketched(wave, 9_999)
    assert sketch.outline(0).hop_s == pytest.approx(0.03)
    assert len(columns(sketch)) == MOST_COLUMNS
    assert np.flatnonzero(columns(sketch)[:, 1]).tolist() == [12_345 // 30]


def test_nothing_and_what_is_no_number_are_drawn_as_silence():
    assert len(columns(sketched(np.zeros((1, 0)), 10))) == 0
    assert not columns(sketched(np.full((1, 20), np.nan), 10)).any()


def test_a_png_reads_back_as_the_image_it_was_made_of():
    grey = np.random.default_rng(2).integers(0, 256, (7, 13), dtype=np.uint8)
    assert (pixels(grey_png(grey)) == grey).all()


def test_a_sine_is_a_bright_row_at_its_band_with_the_lowest_band_at_the_bottom():
    sine = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ) / RATE_HZ)  # -20 dBFS
    found = spectrogram(LogMel(RATE_HZ)(sine[None].astype(np.float32))[0])
    image = pixels(found.png)
    assert found.hop_s == 0.02 and image.shape == (80, 50)
    band = int(np.abs(LogMel(RATE_HZ).band_hz() - 1000).argmin())
    assert int(image[:, 25].argmax()) == 79 - band
    # grey = 255 (-20 - LOWEST) / (HIGHEST - LOWEST), a band's skirt and the steps of the scale allow 3 dB
    expected = 255 * (-20 - LOWEST_DB) / (HIGHEST_DB - LOWEST_DB)
    assert image[:, 25].max() == pytest.approx(expected, abs=255 * 3 / (HIGHEST_DB - LOWEST_DB))


def test_a_coarse_picture_keeps_the_loudest_of_what_shares_a_pixel():
    frames = np.full((80, 12), -200.0)
    frames[3, 7] = 0.0
    image = pixels(spectrogram(frames, 6, 2).png)
    assert image.shape == (40, 2) and np.argwhere(image == 255).tolist() == [[38, 1]] and (image > 0).sum() == 1


@pytest.mark.parametrize("shape, bands", [((80, 0), 1), ((80, 5), 3), ((80,), 1)])
def test_frames_that_cannot_be_drawn_are_refused(shape, bands):
    with pytest.raises(AudioError, match=r"expected \(mel, frame\)"):
        spectrogram(np.zeros(shape), 2, bands)


def test_a_pitch_course_is_in_cents_of_the_midi_scale_at_the_sessions_tuning():
    a4_hz = 442.0
    sharp = tone(a4_hz * 2 ** (0.2 / 12), 0.5)  # 20 cents above A4
    cents = contour(track(sharp, RATE_HZ), 0.1, 0.3, a4_hz)
    assert cents.size == 16 and np.nanmedian(cents) == pytest.approx(6920, abs=2)
    assert contour(track(sharp[:100], RATE_HZ), 0.0, 0.002, a4_hz).size == 0
    assert contour(None, 0.0, 1.0, a4_hz).size == 0


def test_packed_courses_are_json_with_null_where_there_is_no_pitch():
    compressed = compress_contours([Contour(3, 1.23456, np.array([6900.4, np.nan]))])
    assert json.loads(zlib.decompress(compressed)) == {
        "hop_s": 0.02,
        "courses": [{"note": 3, "start_s": 1.2346, "cents": [6900, None]}],
    }
