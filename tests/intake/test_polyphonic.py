from pathlib import Path

from tests.intake import files
from tests.intake.files import ramp, wav, write, write_session
from triage.domain.arrivals import ArrivalProblem
from triage.intake.arrivals import ArrivedSession, check_arrivals
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet


def check(folder: Path) -> ArrivedSession:
    return check_arrivals(folder, read_session(folder), read_sheet(folder / "take_sheet.csv"))


def heard(found: ArrivedSession) -> dict[str, list[tuple[str, str, int]]]:
    return {take.name: [(t.mic, t.path, t.channel) for t in take.tracks] for take in found.takes}


def test_a_polyphonic_file_goes_by_its_ixml_names(tmp_path):
    write_session(tmp_path, ("T1",), name="{take}.wav")
    extra = files.ixml("Room", "CLOSE")
    write(tmp_path / "audio" / "T1.wav", wav(ramp(9_600, 2), extra=extra))
    found = check(tmp_path)
    assert heard(found) == {"T1": [("close", "audio/T1.wav", 1), ("room", "audio/T1.wav", 0)]}
    assert (found.arrivals.problems, found.arrivals.complete) == ((), 1)
    assert (found.arrivals.of_kind("missing"), found.arrivals.of_kind("unlike")) == ((), ())


def test_a_polyphonic_file_without_names_goes_by_order(tmp_path):
    write_session(tmp_path, ("T1", "T2"), name="{take}.{take}.flac")
    files.encode(tmp_path / "audio" / "T1.T1.flac", ramp(9_600, 2))
    files.encode(tmp_path / "audio" / "T2.T2.flac", ramp(9_600, 3))
    found = check(tmp_path)
    assert heard(found)["T1"] == [("close", "audio/T1.T1.flac", 0), ("room", "audio/T1.T1.flac", 1)]
    assert found.arrivals.of_kind("unlike") == (
        ArrivalProblem("unlike", "audio/T2.T2.flac", what="channels", found=3, expected=2),
    )
    assert found.arrivals.complete == 2


def test_a_polyphonic_file_that_names_some_mics_is_told(tmp_path):
    write_session(tmp_path, ("T1",), name="{take}.wav")
    write(tmp_path / "audio" / "T1.wav", wav(ramp(9_600, 2), extra=files.ixml("room", "Tr2")))
    found = check(tmp_path)
    assert heard(found)["T1"] == [("close", "audio/T1.wav", 1), ("room", "audio/T1.wav", 0)]
    assert found.arrivals.problems == (
        "audio/T1.wav: iXML does not name every mic; taken by order: close = channel 2",
    )


def test_a_polyphonic_file_with_too_few_channels_lacks_a_mic(tmp_path):
    write_session(tmp_path, ("T1",), name="{take}.wav")
    write(tmp_path / "audio" / "T1.wav", wav(ramp(9_600)))
    found = check(tmp_path)
    assert found.arrivals.of_kind("missing") == (ArrivalProblem("missing", take="T1", mic="room"),)
    assert found.arrivals.of_kind("unlike")[0].what == "channels"
    assert found.arrivals.complete == 0


def test_a_polyphonic_file_with_refused_ixml_goes_by_order(tmp_path):
    write_session(tmp_path, ("T1",), name="{take}.wav")
    bomb = files.ixml("room", "close", head='<!DOCTYPE x [<!ENTITY a "a">]>')
    write(tmp_path / "audio" / "T1.wav", wav(ramp(9_600, 2), extra=bomb))
    found = check(tmp_path)
    assert heard(found)["T1"][0] == ("close", "audio/T1.wav", 0)
    assert found.arrivals.problems[0].startswith("audio/T1.wav: iXML not read: it declares a DTD")


def test_a_broken_polyphonic_file_is_broken_and_not_missing(tmp_path):
    write_session(tmp_path, ("T1",), name="{take}.wav")
    write(tmp_path / "audio" / "T1.wav", wav(ramp(9_600, 2))[:-8])
    found = check(tmp_path)
    assert len(found.arrivals.of_kind("broken")) == 1
    assert found.arrivals.of_kind("missing") == ()
