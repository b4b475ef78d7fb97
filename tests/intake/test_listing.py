import os

from tests.intake.files import write
from triage.intake.audio_files import list_files


def test_files_are_listed_sorted_and_litter_is_passed_over(tmp_path):
    for name in (
        "b.wav",
        "a/c.wav",
        ".DS_Store",
        "._b.wav",
        "Thumbs.db",
        "a/desktop.ini",
        ".git/x",
        "__MACOSX/b.wav",
    ):
        write(tmp_path / "audio" / name, b"x")
    found = list_files(tmp_path, "audio")
    assert (found.paths, found.unreadable, found.problems) == (("a/c.wav", "b.wav"), (), ())


def test_a_missing_folder_is_one_line(tmp_path):
    found = list_files(tmp_path, "audio")
    assert found.paths == ()
    assert len(found.problems) == 1 and found.problems[0].startswith("audio: no such folder")


def test_a_session_may_keep_its_audio_beside_its_description(tmp_path):
    for name in ("session.toml", "take_sheet.csv", "T1.wav", "sub/session.toml"):
        write(tmp_path / name, b"x")
    assert list_files(tmp_path, ".").paths == ("T1.wav", "sub/session.toml")


def test_links_to_folders_are_told_and_never_followed(tmp_path):
    write(tmp_path / "audio" / "a.wav", b"x")
    (tmp_path / "audio" / "up").symlink_to(tmp_path, target_is_directory=True)
    found = list_files(tmp_path, "audio")
    assert (found.paths, found.unreadable) == (("a.wav",), ("up",))
    assert found.problems[0].startswith("up: a link to a folder")


def test_the_audio_folder_itself_may_be_a_link(tmp_path):
    write(tmp_path / "disk" / "a.wav", b"x")
    (tmp_path / "audio").symlink_to("disk", target_is_directory=True)
    assert list_files(tmp_path, "audio").paths == ("a.wav",)


def test_a_name_that_is_not_utf_8_is_told_in_printable_form(tmp_path):
    (tmp_path / "audio").mkdir()
    with open(os.fsencode(tmp_path) + b"/audio/T\xe4.wav", "wb") as file:
        file.write(b"x")
    found = list_files(tmp_path, "audio")
    assert (found.paths, found.unreadable) == ((), ("T\\udce4.wav",))
    assert found.problems[0].startswith("T\\udce4.wav: its name is not plain text in UTF-8")
