import datetime

import pytest

from tests.intake.files import session_toml, write
from triage.domain.errors import ConfigError
from triage.intake.session import read_session


def session(tmp_path, text):
    write(tmp_path / "session.toml", text.encode())
    return read_session(tmp_path)


def test_a_description_is_read_as_written(tmp_path):
    found = session(tmp_path, session_toml(extra="middle_c_octave = 3"))
    assert (found.name, found.date) == ("mill-day2-b", datetime.date(2026, 3, 14))
    assert (found.sample_rate_hz, found.a4_hz, found.middle_c_octave) == (48_000, 442.0, 3)
    assert (found.files.folder, found.files.name) == ("audio", "{take}_{mic}.wav")
    assert [(mic.name, mic.role) for mic in found.mics] == [("close", "close"), ("room", "room")]


def test_a_date_may_be_text_and_the_rate_left_to_the_files(tmp_path):
    text = session_toml().replace("date = 2026-03-14", 'date = "2026-03-14"').replace("sample_rate_hz = 48000\n", "")
    found = session(tmp_path, text)
    assert found.date == datetime.date(2026, 3, 14)
    assert found.sample_rate_hz is None


def test_the_reference_mic_is_the_named_one_else_the_nearest(tmp_path):
    assert session(tmp_path, session_toml(mics=("room", "near"))).reference_mic_name() == "near"
    assert session(tmp_path, session_toml(extra='reference_mic = "room"')).reference_mic_name() == "room"
    older_name = session_toml(extra='judge_mic = "room"')
    assert session(tmp_path, older_name).reference_mic_name() == "room"
    only_room = session_toml(mics=("room",))
    assert session(tmp_path, only_room).reference_mic_name() == "room"
    seats = session_toml().replace('role = "close"', 'role = "main"').replace('role = "room"', 'role = "spot"')
    assert session(tmp_path, seats).reference_mic_name() == "room"  # the mic of that name, now a spot


@pytest.mark.parametrize(
    "old, new, says",
    [
        ("a4_hz = 442.0", "a4_hz = 44.2", "session.a4_hz = 44.2"),
        ("a4_hz = 442.0", "a4 = 442.0", "unknown key 'session.a4'"),
        ("[files]", "[file]", "files"),
        ("date = 2026-03-14", 'date = "14.3.2026"', "session.date"),
        ("sample_rate_hz = 48000", "sample_rate_hz = 48", "session.sample_rate_hz = 48"),
        ("sample_rate_hz = 48000", 'sample_rate_hz = "fast"', "session.sample_rate_hz"),
        ('role = "room"', 'role = "roof"', "mics.1.role = 'roof'"),
        ('name = "room"', 'name = "CLOSE"', "mic 'CLOSE' is named twice"),
        ('name = "room"', 'name = "a/b"', "must not contain /"),
        ('name = "room"', 'name = " "', "visible text"),
        ("{take}_{mic}.wav", "{take}_{micro}.wav", "unknown field {micro}"),
        ("{take}_{mic}.wav", "{mic}.wav", "no {take}"),
        ('folder = "audio"', 'folder = "../audio"', "inside the session's folder"),
        ('folder = "audio"', 'folder = "/audio"', "inside the session's folder"),
        ("[files]", 'reference_mic = "x"\n[files]', "session.reference_mic = 'x' is none of the mics: close room"),
        ("[files]", 'natural_sounds = "few"\n[files]', "'few': must be one of 'usual' or 'none'"),
        ("[session]", "[session", "not readable as TOML"),
    ],
)
def test_a_slip_is_one_line_that_names_file_and_key(tmp_path, old, new, says):
    text = session_toml()
    assert old in text
    with pytest.raises(ConfigError) as error:
        session(tmp_path, text.replace(old, new))
    line = str(error.value)
    assert says in line and "session.toml" in line and "\n" not in line


def test_a_session_without_mics_is_refused(tmp_path):
    with pytest.raises(ConfigError, match=r"session\.toml: no mics; add a \[\[mics\]\] table"):
        session(tmp_path, session_toml(mics=()))


def test_a_missing_description_names_the_remedy(tmp_path):
    with pytest.raises(ConfigError, match="triage new"):
        read_session(tmp_path)


def test_a_description_never_changes(tmp_path):
    with pytest.raises(ValueError, match="frozen"):
        session(tmp_path, session_toml()).files.name = "x"
