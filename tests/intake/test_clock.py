"""When a take began: bext before iXML before the file's own time (EBU Tech 3285; the iXML layout of recorders)."""

import os
from datetime import datetime

import pytest

from tests.intake.files import bext, chunk, ixml, wav, write
from triage.intake.headers import read_headers
from triage.intake.integrity import check_file
from triage.intake.recording_time import recorded_at

AT = datetime(2026, 3, 14, 14, 30)


def ixml_time(day="2026-03-14", time="14:29:00"):
    text = f"<BWFXML><BEXT><BWF_ORIGINATION_DATE>{day}</BWF_ORIGINATION_DATE>"
    text += f"<BWF_ORIGINATION_TIME>{time}</BWF_ORIGINATION_TIME></BEXT></BWFXML>"
    return chunk(b"iXML", text.encode())


def facts(path, extra=b"", mtime=None):
    write(path, wav(extra=extra))
    if mtime is not None:
        os.utime(path, (mtime.timestamp(), mtime.timestamp()))
    return check_file(path)


def test_the_recorders_word_counts_before_the_files(tmp_path):
    assert recorded_at([facts(tmp_path / "a.wav", bext() + ixml_time())]) == (AT, "bext")
    assert recorded_at([facts(tmp_path / "b.wav", ixml_time())]) == (datetime(2026, 3, 14, 14, 29), "iXML")


def test_any_separator_in_the_time_is_read(tmp_path):
    assert recorded_at([facts(tmp_path / "a.wav", bext(time=b"14-30-00"))])[0] == AT


def test_a_files_time_is_its_end_and_flagged(tmp_path):
    # 4800 frames at 48 kHz: 0.1 s earlier.
    at, source = recorded_at([facts(tmp_path / "a.wav", mtime=AT)])
    assert source == "file time" and (AT - at).total_seconds() == pytest.approx(0.1)


def test_the_earliest_file_of_the_best_witness_counts(tmp_path):
    files = [
        facts(tmp_path / "a.wav", bext(time=b"14:30:05")),
        facts(tmp_path / "b.wav", bext()),
        facts(tmp_path / "c.wav", mtime=datetime(2020, 1, 1)),
    ]
    assert recorded_at(files) == (AT, "bext")


@pytest.mark.parametrize(
    "day, time",
    [
        ("1904-01-01", "00:00:00"),
        ("0000-00-00", "00:00:00"),
        ("", ""),
        ("2026-13-01", "10:00:00"),
        ("yesterday", "noon"),
    ],
)
def test_a_clock_that_was_never_set_says_nothing(tmp_path, day, time):
    assert recorded_at([facts(tmp_path / "a.wav", ixml_time(day, time), AT)])[1] == "file time"


def test_no_files_have_no_time():
    assert recorded_at([]) == (None, None)


def test_an_ixml_without_a_time_has_none(tmp_path):
    assert read_headers(write(tmp_path / "a.wav", wav(extra=ixml("close")))).ixml_origination is None
