from datetime import date

import pytest

from triage.domain.errors import ConfigError
from triage.intake import template
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet


@pytest.fixture
def shipped(tmp_path, monkeypatch):
    """A stand-in for the shipped folder, so that what is copied is known byte for byte."""
    source = tmp_path / "shipped" / "configs"
    source.mkdir(parents=True)
    (source / "session.toml").write_bytes(b"# a\n")
    (source / "take_sheet.csv").write_bytes(b"take\r\n")
    monkeypatch.setattr(template, "shipped", lambda relative: tmp_path / "shipped" / relative)


def test_a_new_folder_gets_both_files(tmp_path, shipped):
    session, sheet = template.write_template(tmp_path / "a" / "day1")
    assert (session.name, session.read_bytes()) == ("session.toml", b"# a\n")
    assert (sheet.name, sheet.read_bytes()) == ("take_sheet.csv", b"take\r\n")


@pytest.mark.parametrize("name", ["session.toml", "take_sheet.csv"])
def test_what_is_there_is_never_replaced(tmp_path, shipped, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(ConfigError, match=f"{name}: is already there"):
        template.write_template(tmp_path)
    assert (tmp_path / name).read_text() == "mine"
    assert sum((tmp_path / other).exists() for other in ("session.toml", "take_sheet.csv")) == 1


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path, shipped):
    (tmp_path / "file").write_text("")
    with pytest.raises(ConfigError, match="cannot be written to"):
        template.write_template(tmp_path / "file" / "day1")


@pytest.mark.parametrize("name", ["mill-day2-b", 'a "quoted" one', "back\\slash", "fünf"])
def test_the_shipped_template_is_a_session_without_a_slip_named_as_its_folder_and_of_today(tmp_path, name):
    folder = tmp_path / name
    template.write_template(folder)
    assert "#" in (folder / "session.toml").read_text(encoding="utf-8")
    session = read_session(folder)
    assert session.name == name and abs((session.date - date.today()).days) <= 1
    assert session.files.name == "{take}_{mic}.wav"  # the other name in it
    assert read_sheet(folder / "take_sheet.csv", session.middle_c_octave).problems == ()
