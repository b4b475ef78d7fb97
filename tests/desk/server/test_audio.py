"""The right samples, and only those: cut to the sample, by byte range, and nothing outside a session's folder."""

import io
import os
import wave

import numpy as np
import pytest
import soundfile

from tests.desk.server.evening import LEVELS_DB, RATE_HZ, whole_numbers
from triage.audition import excerpts
from triage.audition.excerpts import ExcerptCache
from triage.desk import audio
from triage.domain.note import Note
from triage.domain.take import Take, Track
from triage.store.engine import open_store, writing
from triage.store.takes import save_take


def samples(body: bytes) -> np.ndarray:
    """Return the samples of a WAV, which Python's own reader must know as well, as whole numbers."""
    with wave.open(io.BytesIO(body)) as file:
        assert (file.getnchannels(), file.getframerate()) == (1, RATE_HZ)
        width = file.getsampwidth()
    return soundfile.read(io.BytesIO(body), dtype="int32")[0] >> (32 - 8 * width)


def store_track(store: str, folder, path: str, name: str = "T009", channel: int = 0) -> int:
    engine = open_store(store)
    with writing(engine) as db:
        notes = (Note(1, 0.1, 0.9, 1.2, 60, 60),)
        made = save_take(db, 1, Take(name, "f", tracks=(Track("close", path, channel),), notes=notes))
    engine.dispose()
    return made


def test_a_segment_is_cut_to_the_sample_and_bit_for_bit_that_of_the_file(desk):
    answer = desk.person().get("/audio/takes/1/close?start_s=0.5&end_s=1.25")
    assert answer.headers["content-type"] == "audio/wav"
    assert (samples(answer.content) == whole_numbers("T001", "close")[24_000:60_000]).all()
    assert len(samples(answer.content)) == 36_000


def test_a_whole_take_is_the_whole_file_and_another_microphone_is_another(desk):
    anna = desk.person()
    assert (samples(anna.get("/audio/takes/2/close").content) == whole_numbers("T002", "close")).all()
    assert (samples(anna.get("/audio/takes/2/room").content) == whole_numbers("T002", "room")).all()


@pytest.mark.parametrize(
    "asked, first, last",
    [
        ("bytes=0-", 0, None),
        ("bytes=0-1", 0, 2),
        ("bytes=44-46", 44, 47),
        ("bytes=43-1000", 43, 1001),
        ("bytes=1001-1003", 1001, 1004),
        ("bytes=-5", -5, None),
        ("bytes=100-99999999", 100, None),
    ],
)
def test_a_byte_range_is_just_those_bytes(desk, asked, first, last):
    anna = desk.person()
    url = "/audio/takes/1/close?start_s=0.1&end_s=0.2"
    whole = anna.get(url).content
    part = anna.get(url, headers={"Range": asked})
    assert part.status_code == 206 and part.content == whole[first:last]
    start = first if first >= 0 else len(whole) + first
    assert part.headers["content-range"] == f"bytes {start}-{start + len(part.content) - 1}/{len(whole)}"


def test_every_byte_can_be_had_one_by_one(desk):
    anna = desk.person()
    url = "/audio/takes/1/close?start_s=0.1&end_s=0.1005"
    whole = anna.get(url).content
    pieces = [anna.get(url, headers={"Range": f"bytes={n}-{n}"}).content for n in range(0, len(whole), 7)]
    assert b"".join(pieces) == whole[::7]


def test_a_range_beyond_the_end_or_without_sense_is_answered_as_the_rfc_says(desk):
    anna = desk.person()
    url = "/audio/takes/1/close?start_s=0&end_s=0.01"
    beyond = anna.get(url, headers={"Range": "bytes=999999-"})
    assert beyond.status_code == 416 and beyond.headers["content-range"] == f"bytes */{44 + 480 * 3}"
    for asked in ("bytes=5-1", "bytes=-", "samples=0-5"):  # RFC 9110, 14.2: may be rejected
        assert anna.get(url, headers={"Range": asked}).status_code == 400
    several = anna.get(url, headers={"Range": "bytes=0-1,4-5"})
    assert several.status_code == 206 and several.headers["content-type"].startswith("multipart/byteranges")
    assert anna.get(url, headers={"Range": "bytes=0-1", "If-Range": '"other"'}).status_code == 200


def test_what_a_browser_has_is_not_sent_again_and_only_its_size_is_sent(desk):
    anna = desk.person()
    url = "/audio/takes/1/close?start_s=0&end_s=0.01"
    first = anna.get(url)
    assert anna.get(url, headers={"If-None-Match": first.headers["etag"]}).status_code == 304
    head = anna.client.head(url)
    assert head.content == b"" and head.headers["content-length"] == str(len(first.content))
    assert first.headers["cache-control"] == "private, max-age=3600"


@pytest.fixture
def long_take(store, tmp_path):
    """A take that is streamed: its address and its samples, of 24 bit."""
    whole = np.random.default_rng(7).integers(-(2**23), 2**23, round(20.5 * RATE_HZ), dtype=np.int32)
    soundfile.write(tmp_path / "mill" / "audio" / "long.wav", whole << 8, RATE_HZ, subtype="PCM_24")
    return f"/audio/takes/{store_track(store, tmp_path, 'audio/long.wav')}/close", whole


def test_a_long_take_is_streamed_and_never_written_to_the_cache(desk, long_take, monkeypatch):
    monkeypatch.setattr(ExcerptCache, "file", None)  # calling it is an error
    url, whole = long_take
    found = desk.person().get(url)
    assert (samples(found.content) == whole).all()
    assert int(found.headers["content-length"]) == len(found.content) == 44 + 3 * len(whole)


@pytest.mark.parametrize("width, gain", [(2, 0), (2, -6), (3, 0), (3, -6)])
def test_streamed_bytes_are_those_of_the_cached_file(desk, store, tmp_path, monkeypatch, width, gain):
    whole = np.random.default_rng(8).integers(-(2**15), 2**15, (20 * RATE_HZ, 2), dtype=np.int32) << 16
    soundfile.write(tmp_path / "mill" / "audio" / "x.wav", whole, RATE_HZ, subtype=f"PCM_{8 * width}")
    url = f"/audio/takes/{store_track(store, tmp_path, 'audio/x.wav', channel=1)}/close?gain_db={gain}"
    anna = desk.person()
    streamed = anna.get(url).content
    monkeypatch.setattr(audio, "STREAMED_S", 99.0)
    assert anna.get(url).content == streamed


def test_ranges_of_a_long_take_are_just_those_bytes(desk, long_take):
    anna, (url, _) = desk.person(), long_take
    whole = anna.get(url).content
    size = len(whole)
    for first, last in (
        (0, 1),
        (0, 43),
        (0, 44),
        (43, 1000),
        (44, 44),
        (1001, 1003),
        (500_000, 800_001),
        (size - 1, size - 1),
    ):
        part = anna.get(url, headers={"Range": f"bytes={first}-{last}"})
        assert part.status_code == 206 and part.content == whole[first : last + 1]
        assert part.headers["content-range"] == f"bytes {first}-{last}/{size}"
    assert anna.get(url, headers={"Range": f"bytes={size - 7}-"}).content == whole[-7:]
    beyond = anna.get(url, headers={"Range": f"bytes={size}-"})
    assert beyond.status_code == 416 and beyond.headers["content-range"] == f"bytes */{size}"
    for other in ({"Range": "bytes=0-1,4-5"}, {"Range": "bytes=0-1", "If-Range": '"other"'}):
        assert anna.get(url, headers=other).status_code == 200
    head = anna.client.head(url, headers={"Range": "bytes=0-9"})
    assert head.status_code == 206 and head.content == b"" and head.headers["content-length"] == "10"


def test_a_long_take_that_cannot_be_read_is_one_line(desk, long_take, tmp_path, monkeypatch):
    def broken(*_):
        raise soundfile.LibsndfileError(1)

    monkeypatch.setattr(excerpts, "_samples", broken)
    answer = desk.person().get(long_take[0])
    assert answer.status_code == 404 and "cannot be read" in answer.json()["error"]


def test_times_outside_the_take_give_what_there_is(desk):
    anna = desk.person()
    assert len(samples(anna.get("/audio/takes/1/close?start_s=2.9&end_s=99").content)) == 4_800
    assert len(samples(anna.get("/audio/takes/1/close?start_s=50&end_s=99").content)) == 0


@pytest.mark.parametrize("query", ["start_s=-1", "start_s=nan", "end_s=inf", "gain_db=40", "start_s=x"])
def test_a_query_that_cannot_be_is_one_line(desk, query):
    answer = desk.person().get(f"/audio/takes/1/close?{query}")
    assert answer.status_code == 422 and list(answer.json()) == ["error"]


def test_a_raised_segment_never_peaks_above_the_ceiling(desk):
    anna = desk.person()
    answer = anna.get("/audio/takes/1/close?start_s=0&end_s=1&gain_db=12")
    raised, plain = samples(answer.content), whole_numbers("T001", "close")[:RATE_HZ]
    assert 20 * np.log10(np.abs(raised).max() / 2**23) <= -6.0 + 0.01
    # -20 dBFS and 12 dB make -8: below the ceiling, so all of the gain is given
    assert np.abs(raised - plain * 10 ** (12 / 20)).max() <= 0.5
    assert answer.headers["x-gain-db"] == "12.00"
    limited = anna.get("/audio/takes/1/close?gain_db=-30")
    assert limited.headers["x-gain-db"] == "-30.00"


def test_a_neighbour_is_played_as_loud_as_the_note_it_is_held_against(desk):
    anna = desk.person()
    answer = anna.get("/audio/takes/2/notes/1/close?like_take=1&like_note=1")
    # Both are noise of the same kind; their levels differ by 6 dB, and so must what is added.
    assert float(answer.headers["x-gain-db"]) == pytest.approx(LEVELS_DB[0] - LEVELS_DB[1], abs=0.1)
    plain = whole_numbers("T002", "close")[round(0.05 * RATE_HZ) : round(1.2 * RATE_HZ)]
    gain = 10 ** (float(answer.headers["x-gain-db"]) / 20)
    assert np.abs(samples(answer.content) / plain.astype(float) - gain)[plain != 0].max() < 0.01
    alone = anna.get("/audio/takes/2/notes/1/close")
    assert (samples(alone.content) == plain).all()


@pytest.mark.parametrize(
    "subtype, suffix, width",
    [("PCM_16", "wav", 2), ("FLOAT", "wav", 3), ("PCM_32", "wav", 3), ("PCM_24", "flac", 3), ("PCM_16", "aiff", 2)],
)
def test_other_formats_come_as_wav_of_16_or_24_bit(desk, store, tmp_path, subtype, suffix, width):
    rng = np.random.default_rng(5)
    whole = rng.integers(-(2**15), 2**15, (1000, 2), dtype=np.int32) << (8 * width - 16)
    path = tmp_path / "mill" / "audio" / f"x.{suffix}"
    soundfile.write(path, whole / 2.0 ** (8 * width - 1), RATE_HZ, subtype=subtype)
    take_id = store_track(store, tmp_path, f"audio/x.{suffix}", channel=1)
    found = desk.person().get(f"/audio/takes/{take_id}/close")
    with wave.open(io.BytesIO(found.content)) as file:
        assert file.getsampwidth() == width
    assert (samples(found.content) == whole[:, 1]).all()


def test_what_is_no_number_or_over_full_scale_is_played_safely(desk, store, tmp_path):
    data = np.array([0.5, np.nan, np.inf, 3.0, -3.0], np.float32)
    soundfile.write(tmp_path / "mill" / "audio" / "x.wav", data, RATE_HZ, subtype="FLOAT")
    take_id = store_track(store, tmp_path, "audio/x.wav")
    found = samples(desk.person().get(f"/audio/takes/{take_id}/close").content)
    assert found.tolist() == [2**22, 0, 0, 2**23 - 1, -(2**23)]


@pytest.mark.parametrize("path", ["../secret.wav", "/etc/passwd", "audio/link.wav", "linked/secret.wav"])
def test_nothing_outside_the_sessions_folder_is_ever_served(desk, store, tmp_path, path):
    soundfile.write(tmp_path / "secret.wav", np.zeros(10), RATE_HZ)
    os.symlink(tmp_path / "secret.wav", tmp_path / "mill" / "audio" / "link.wav")
    os.symlink(tmp_path, tmp_path / "mill" / "linked")
    take_id = store_track(store, tmp_path, path)
    answer = desk.person().get(f"/audio/takes/{take_id}/close")
    assert answer.status_code == 404 and "leads out of the session's folder" in answer.json()["error"]


@pytest.mark.parametrize(
    "path",
    [
        "/audio/takes/1/..%2f..%2fsecret",
        "/audio/takes/99/close",
        "/audio/takes/1/none",
        "/audio/takes/1/notes/9/close",
        "/audio/takes/99999999999999999999/close",
        "/audio/takes/1/clo%00se",
        "/audio/takes/1/%ff",
    ],
)
def test_an_address_that_names_nothing_is_one_line(desk, path):
    answer = desk.person().get(path)
    assert answer.status_code in (404, 422) and "error" in answer.json()


def test_a_file_that_is_gone_or_broken_is_one_line(desk, tmp_path):
    anna = desk.person()
    (tmp_path / "mill" / "audio" / "T001_close.wav").unlink()
    (tmp_path / "mill" / "audio" / "T002_close.wav").write_bytes(b"RIFF")
    for take_id, line in ((1, "no such file"), (2, "cannot be read")):
        answer = anna.get(f"/audio/takes/{take_id}/close")
        assert answer.status_code == 404 and line in answer.json()["error"]


def test_recordings_may_lie_elsewhere_on_this_machine(serve, store, tmp_path):
    (tmp_path / "copied").mkdir()
    (tmp_path / "mill").rename(tmp_path / "copied" / "mill")
    anna = serve(store).person()
    assert anna.get("/audio/takes/1/close").status_code == 404
    anna = serve(store, recordings=(tmp_path / "copied",)).person()
    assert anna.get("/audio/takes/1/close").status_code == 200


def test_listening_changes_no_recording(desk, tmp_path):
    files = sorted((tmp_path / "mill").rglob("*.wav"))
    before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in files]
    anna = desk.person()
    for url in ("/audio/takes/1/close", "/audio/takes/2/notes/1/close?like_take=1&like_note=1"):
        assert anna.get(url).status_code == 200
    assert before == [(path.read_bytes(), path.stat().st_mtime_ns) for path in files]


def test_pictures_come_with_their_scales_and_are_kept_by_the_browser(desk):
    anna = desk.person()
    mic = anna.get("/api/takes/1").json()["mics"][0]
    drawn = anna.get(mic["picture"])
    assert drawn.headers["content-type"] == "image/png" and drawn.content.startswith(b"\x89PNG")
    scales = [drawn.headers[name] for name in ("x-hop-s", "x-low-hz", "x-high-hz")]
    assert scales == ["0.02", "40", "19000"]
    assert anna.get(mic["picture"], headers={"If-None-Match": drawn.headers["etag"]}).status_code == 304
    outline = anna.get(mic["wave"]).json()
    whole = whole_numbers("T001", "close")
    assert len(outline["low"]) == len(outline["high"]) == 300 and outline["hop_s"] == 0.01
    assert outline["high"][7] == pytest.approx(127 * whole[7 * 480 : 8 * 480].max() / 2**23, abs=0.02)
    assert anna.get(mic["pitch"]).json()["courses"] == [{"note": 1, "start_s": 0.1, "cents": [6000, None]}]
    assert anna.get("/api/takes/1/picture/none").status_code == 404


def test_neighbours_are_good_notes_of_the_same_cell(desk):
    anna = desk.person()
    found = anna.get("/api/takes/1/notes/1/neighbours").json()["neighbours"]
    assert [(one["take"], one["pitch"], one["why"]) for one in found] == [
        ("T004", "C4", "same pitch"),
        ("T003", "C4", "same pitch"),
        ("T002", "C4", "same pitch"),
    ]
    assert found[0]["audio"] == "/audio/takes/4/notes/1/close?like_take=1&like_note=1"
    assert anna.get(found[0]["audio"]).status_code == 200
