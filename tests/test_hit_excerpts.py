"""Pictures and sounds for paper: what is drawn lies where it should, what is played is never loud."""

import base64
import io
import zlib

import numpy as np
import pytest
import soundfile
from PIL import Image

from tests.noisy import save_noisy
from triage.audition.hit_excerpts import (
    CEILING_DBFS,
    COLUMNS,
    HIGH_HZ,
    LOW_HZ,
    MOST_GAIN_DB,
    ROWS,
    palette,
    sound,
    spectrogram,
    spectrogram_and_sound,
)
from triage.domain.hit import Hit
from triage.store.engine import open_store, reading, writing
from triage.store.takes import find_session

RATE_HZ = 48_000


def content(uri, media):
    head, _, data = uri.partition(",")
    assert head == f"data:{media};base64"
    return base64.b64decode(data, validate=True)


def pixels(made):
    """Decode by another implementation than ours: Pillow."""
    image = Image.open(io.BytesIO(content(made.uri, "image/png")))
    image.load()
    return np.asarray(image), np.asarray(image.convert("RGB"))


def at_time(seconds=2.0, rate_hz=RATE_HZ):
    return np.arange(round(seconds * rate_hz)) / rate_hz


def test_a_tone_is_a_dark_line_at_its_frequency_and_a_click_a_dark_line_at_its_moment():
    rng = np.random.default_rng(1)
    samples = 1e-5 * rng.standard_normal(2 * RATE_HZ) + 0.01 * np.sin(2 * np.pi * 1000 * at_time())
    samples[RATE_HZ // 2 : RATE_HZ // 2 + 24] += 0.5
    made = spectrogram(samples, RATE_HZ, 7.5)
    places, colours = pixels(made)
    assert places.shape == (ROWS, COLUMNS) and (made.start_s, made.end_s) == (7.5, 9.5)
    row = round((ROWS - 1) * (1 - np.log(1000 / LOW_HZ) / np.log(HIGH_HZ / LOW_HZ)))
    assert abs(int(places[:, 3 * COLUMNS // 4].argmax()) - row) <= 1
    assert abs(int(places[:40].mean(axis=0).argmax()) - COLUMNS // 4) <= 4
    # Paper where it is quiet, ink where it is loud.
    assert colours[0, -1].sum() > 650 and colours[row, -5].sum() < 300


def test_the_spectrogram_gives_how_far_up_a_frequency_lies():
    made = spectrogram(np.ones(RATE_HZ), RATE_HZ)
    assert (made.share_of(LOW_HZ), made.share_of(HIGH_HZ)) == (0.0, 1.0)
    assert made.share_of((LOW_HZ * HIGH_HZ) ** 0.5) == pytest.approx(0.5)


@pytest.mark.parametrize("samples", [np.zeros(RATE_HZ), np.zeros(1), np.ones(5)])
def test_silence_and_the_shortest_segment_have_a_spectrogram(samples):
    assert pixels(spectrogram(samples, RATE_HZ))[0].shape == (ROWS, COLUMNS)


def test_the_palette_goes_from_paper_to_ink_and_only_ever_darker():
    light = palette().astype(int).sum(axis=1)
    assert (np.diff(light) <= 0).all() and light[0] > 740 and light[-1] < 90


@pytest.mark.parametrize("peak_dbfs, gain_db", [(-60.0, MOST_GAIN_DB), (-30.0, 18.0), (0.0, CEILING_DBFS)])
def test_a_sound_is_raised_within_limits_and_never_peaks_over_the_ceiling(peak_dbfs, gain_db):
    made = sound(10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * 997 * at_time()), RATE_HZ)
    decoded, rate_hz = soundfile.read(io.BytesIO(content(made.uri, "audio/flac")))
    assert rate_hz == RATE_HZ and len(decoded) == 2 * RATE_HZ
    assert made.gain_db == pytest.approx(gain_db, abs=0.01)
    assert 20 * np.log10(np.abs(decoded).max()) == pytest.approx(min(CEILING_DBFS, peak_dbfs + MOST_GAIN_DB), abs=0.1)
    assert abs(decoded[0]) < 1e-3 and abs(decoded[-1]) < 1e-3  # faded: no click of our own


def test_high_rates_are_brought_down_and_silence_stays_silent():
    made = sound(0.1 * np.sin(2 * np.pi * 997 * at_time(1.0, 96_000)), 96_000)
    decoded, rate_hz = soundfile.read(io.BytesIO(content(made.uri, "audio/flac")))
    assert (rate_hz, len(decoded)) == (48_000, 48_000)
    assert not soundfile.read(io.BytesIO(content(sound(np.zeros(100), RATE_HZ).uri, "audio/flac")))[0].any()


def test_the_png_holds_its_checksums(tmp_path):
    data = content(spectrogram(np.zeros(RATE_HZ), RATE_HZ).uri, "image/png")
    assert data[:8] == b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948
    at, names = 8, []
    while at < len(data):
        size, name = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        assert zlib.crc32(data[at + 4 : at + 8 + size]) == int.from_bytes(data[at + 8 + size : at + 12 + size], "big")
        names.append(name)
        at += 12 + size
    assert names == [b"IHDR", b"PLTE", b"IDAT", b"IEND"]


def test_a_hit_is_read_where_it_is_loudest_and_a_lost_recording_has_no_spectrogram(tmp_path):
    (tmp_path / "audio").mkdir()
    soundfile.write(tmp_path / "audio" / "T003_room.wav", 0.01 * np.sin(2 * np.pi * 300 * at_time(12.0)), RATE_HZ)
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    with writing(engine) as db:
        save_noisy(db, folder=str(tmp_path))
    with reading(engine) as db:
        spectrogram_of, sound_of = spectrogram_and_sound(db, find_session(db))
        there = Hit("creak", 6.36, 6.76, "room", ("room",), -50.0, 9.0, 0.9, 3, take="T003")
        made = spectrogram_of(there)
        assert made is not None and (made.start_s, made.end_s) == (pytest.approx(5.56), pytest.approx(8.16))
        assert sound_of(there) is not None
        for gone in (("close", "T003"), ("room", "T004"), ("spot", "T003")):
            hit = Hit("creak", 6.36, 6.76, gone[0], gone[:1], -50.0, 9.0, 0.9, 3, take=gone[1])
            assert spectrogram_of(hit) is None and sound_of(hit) is None
    engine.dispose()
