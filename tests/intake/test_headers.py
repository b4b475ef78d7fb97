import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.intake import files
from triage.intake.headers import Headers, read_headers


def headers(tmp_path, *chunks: bytes) -> Headers:
    data = files.riff(files.fmt(), *chunks, files.chunk(b"data", files.pcm(files.ramp(10))))
    return read_headers(files.write(tmp_path / "x.wav", data))


# Computed: 14:30:00 at 48 kHz is 14.5 x 3600 x 48000 = 2 505 600 000 samples, above 2^31.
def test_a_time_reference_beyond_31_bits_is_read(tmp_path):
    found = headers(tmp_path, files.bext(2_505_600_000, b"Day 2 b, horn", history=b"A=PCM\r\n"))
    assert found.time_reference_samples == 2_505_600_000 == 0x95586C00
    assert (found.origination, found.originator) == ("2026-03-14 14:30:00", "recorder")
    assert (found.description, found.problem) == ("Day 2 b, horn", None)


def test_a_time_reference_beyond_32_bits_is_read(tmp_path):
    assert headers(tmp_path, files.bext(2**33 + 1)).time_reference_samples == 2**33 + 1  # 24 h at 192 kHz is 2^33.9


# EBU Tech 3285: hh-mm-ss or any other separator; text fields need no terminator when full.
def test_times_with_any_separator_and_full_fields_are_read(tmp_path):
    found = headers(tmp_path, files.bext(1, "Ü".encode("latin-1") * 256, b"14-30.00"))
    assert found.origination == "2026-03-14 14:30:00"
    assert found.description == "Ü" * 256


@pytest.mark.parametrize("kind", [b"RF64", b"BW64"])
def test_headers_of_wide_files_are_read(tmp_path, kind):
    head = files.fmt(2) + files.bext(7) + files.ixml("room", "close")
    found = read_headers(files.write(tmp_path / "x.wav", files.wide(kind, files.pcm(files.ramp(9, 2)), head=head)))
    assert (found.time_reference_samples, found.tracks, found.problem) == (7, {1: "room", 2: "close"}, None)


def test_track_names_go_by_their_place_in_the_file(tmp_path):
    assert headers(tmp_path, files.ixml("room", " close ")).tracks == {1: "room", 2: "close"}
    by_channel = files.ixml("room", "close").replace(b"INTERLEAVE_INDEX", b"INTERLEAVE_OTHER")
    assert headers(tmp_path, by_channel).tracks == {11: "room", 12: "close"}
    bare = by_channel.replace(b"CHANNEL_INDEX", b"CHANNEL_OTHER")
    assert headers(tmp_path, bare).tracks == {1: "room", 2: "close"}


def test_the_take_is_read_and_may_be_absent(tmp_path):
    assert headers(tmp_path, files.ixml(take="12")).take == "12"
    assert headers(tmp_path, files.chunk(b"iXML", b"<BWFXML/>")) == Headers()
    assert headers(tmp_path) == Headers()


def test_ixml_in_utf_16_and_ending_in_nul_is_read(tmp_path):
    text = '<?xml version="1.0" encoding="UTF-16"?><BWFXML><TAKE>Ü</TAKE></BWFXML>'
    assert headers(tmp_path, files.chunk(b"iXML", text.encode("utf-16"))).take == "Ü"
    assert headers(tmp_path, files.chunk(b"iXML", b"<BWFXML><TAKE>3</TAKE></BWFXML>\0\0\0")).take == "3"


BOMB = (
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    "<BWFXML><TAKE>&b;</TAKE></BWFXML>"
)


@pytest.mark.parametrize(
    "content",
    [
        BOMB.encode(),
        BOMB.encode("utf-16"),
        BOMB.encode("utf-16-be"),
        BOMB.encode("utf-32-le"),
        b"\n" + BOMB.encode(),
        b'<?xml version="1.0"?>' + BOMB.encode(),
        b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]><BWFXML><TAKE>&a;</TAKE></BWFXML>',
        b'<?xml version="1.0" encoding="UTF-7"?>' + b"+ADw-!DOCTYPE x+AD4-<BWFXML><TAKE>1</TAKE></BWFXML>",
        BOMB.encode("cp037"),
    ],
)
def test_ixml_that_declares_entities_is_refused_in_any_encoding(tmp_path, content):
    found = headers(tmp_path, files.bext(5), files.chunk(b"iXML", content))
    assert found.take is None and found.tracks == {}
    assert found.problem is not None and found.problem.startswith("iXML not read")
    assert found.time_reference_samples == 5  # the rest is still given


@pytest.mark.parametrize(
    "chunk, says",
    [
        (files.chunk(b"bext", b"x" * 100), "bext not read: 100 bytes, expected 602"),
        (files.chunk(b"iXML", b"hello"), "iXML not read: not XML"),
        (files.chunk(b"iXML", b"\0\0\0\0"), "iXML not read: not XML"),
        (files.chunk(b"iXML", b"<BWFXML/>" + b" " * 1_048_576), "iXML not read: its 1048585 bytes"),
    ],
)
def test_a_damaged_chunk_is_one_line(tmp_path, chunk, says):
    problem = headers(tmp_path, chunk).problem
    assert problem is not None and problem.startswith(says) and "\n" not in problem


def test_a_chunk_larger_than_the_file_is_one_line(tmp_path):
    data = files.riff(files.fmt(), files.chunk(b"iXML", b"<BWFXML/>", size=2**31))
    assert "more than the file holds" in str(read_headers(files.write(tmp_path / "x.wav", data)).problem)


def test_broken_xml_gives_what_it_can(tmp_path):
    assert headers(tmp_path, files.chunk(b"iXML", b"<BWFXML><TAKE>4</TAKE><TRACK_LIST><TR")).take == "4"


def test_files_without_such_headers_have_none(tmp_path):
    assert read_headers(files.encode(tmp_path / "x.flac", files.ramp())) == Headers()
    assert read_headers(files.encode(tmp_path / "x.aiff", files.ramp())) == Headers()
    assert read_headers(files.write(tmp_path / "x.wav", b"")) == Headers()
    assert "No such file" in str(read_headers(tmp_path / "missing.wav").problem)


@given(st.binary(max_size=300), st.sampled_from([b"iXML", b"bext"]))
def test_no_content_raises(tmp_path_factory, content, ident):
    start = b"<BWFXML>" if ident == b"iXML" else b"\0" * 602
    headers(tmp_path_factory.getbasetemp(), files.chunk(ident, start + content))
