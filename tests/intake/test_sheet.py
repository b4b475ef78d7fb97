import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.intake.files import write
from triage.domain.sheet_row import SheetRow
from triage.intake.sheet import COLUMNS, TakeSheet, read_sheet

HEADER = ",".join(COLUMNS)


@pytest.fixture
def sheet(tmp_path):
    def read(text: str | bytes, **options) -> TakeSheet:
        data = text if isinstance(text, bytes) else text.encode()
        return read_sheet(write(tmp_path / "take_sheet.csv", data), **options)

    return read


def test_rows_are_read_in_order_with_pitches_as_midi(sheet):
    found = sheet(f"{HEADER}\nT2,horn,sustain,ff,F3 F#3 Bb3,3,tired\nT1,horn,sustain,p,53 54,,\n")
    assert found.problems == ()
    assert found.rows == (
        SheetRow("T2", "horn", "sustain", "ff", (53, 54, 58), 3, "tired"),
        SheetRow("T1", "horn", "sustain", "p", (53, 54), 1, ""),
    )


def test_each_pitch_is_expected_as_often_as_it_is_repeated():
    assert SheetRow("T1", pitches=(53, 54), repetitions=3).expected() == (53, 53, 53, 54, 54, 54)
    assert SheetRow("T1", repetitions=3).expected() == ()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_spreadsheets_save_in_many_ways(sheet, separator, encoding, ending):
    row = ["T1", " Hörner ", "long", "f", "F3  G3", "2", ""]
    lines = ["", separator.join(COLUMNS), "", separator.join(row), 6 * separator]
    found = sheet(ending.join(lines).encode(encoding))
    assert found == TakeSheet((SheetRow("T1", "Hörner", "long", "f", (53, 55), 2),))


def test_columns_come_in_any_order_and_case(sheet):
    assert sheet("Pitches, TAKE \nF3,T1\n").rows == (SheetRow("T1", pitches=(53,)),)


def test_a_quoted_cell_may_hold_the_separator(sheet):
    found = sheet(f'{HEADER}\nT1,horn,long,f, "F3, G3",1,"one, two"\n')
    assert found.rows[0].pitches == (53, 55)
    assert found.rows[0].remark == "one, two"


def test_middle_c_may_be_c3(sheet):
    assert sheet("take,pitches\nT1,C3\n", middle_c_octave=3).rows[0].pitches == (60,)


def test_no_sheet_is_one_line_and_no_rows(tmp_path):
    found = read_sheet(tmp_path / "take_sheet.csv")
    assert found.rows == ()
    assert len(found.problems) == 1 and "take_sheet.csv: not found" in found.problems[0]


def test_a_wrong_column_is_named_and_the_rest_is_read(sheet):
    found = sheet("take,instrument,articulation,dynamic,pitch,repetitions,remark\nT1,horn,long,f,F3,2,\n")
    assert found.rows == (SheetRow("T1", "horn", "long", "f", (), 2, ""),)
    assert found.problems[0].startswith("take_sheet.csv: unknown column 'pitch' ignored")
    assert "pitches" in found.problems[0]
    assert found.problems[1:] == ("take_sheet.csv: no column pitches; read as empty",)


def test_without_the_take_column_no_row_is_read(sheet):
    found = sheet("name,pitches\nT1,F3\n")
    assert found.rows == ()
    assert any("no column 'take'" in problem for problem in found.problems)


# 127 is MIDI's end; 12 is C0 = 16.35 Hz, below which no instrument sounds.
@pytest.mark.parametrize(
    "cell, says",
    [
        ("F3 H3 G3", "'H3' is no pitch"),
        ("128", "'128' is MIDI 128"),
        ("5", "'5' is MIDI 5, expected a sounding pitch of 12 to 127"),
        ("F3-H3", "'H3' is no pitch"),
    ],
)
def test_an_impossible_pitch_costs_the_pitches_and_not_the_take(sheet, cell, says):
    found = sheet(f"{HEADER}\nT1,horn,long,f,F3,2,\nT2,horn,long,f,{cell},2,x\n")
    assert found.rows == (
        SheetRow("T1", "horn", "long", "f", (53,), 2, ""),
        SheetRow("T2", "horn", "long", "f", (), 2, "x"),
    )
    (problem,) = found.problems
    assert problem.startswith("take_sheet.csv line 3: take T2: pitches:") and says in problem


@pytest.mark.parametrize("cell", ["x", "0", "-1", "2.5", "1001", "9" * 30, "٣"])
def test_impossible_repetitions_are_one(sheet, cell):
    found = sheet(f"take,pitches,repetitions\nT1,F3,{cell}\n")
    assert found.rows[0].repetitions == 1
    assert any(f"repetitions {cell!r}" in problem for problem in found.problems)


@pytest.mark.parametrize("cell, times", [("3", 3), ("3.0", 3), ("03", 3), ("", 1), ("1000", 1000)])
def test_repetitions_as_spreadsheets_write_them(sheet, cell, times):
    assert sheet(f"take,repetitions\nT1,{cell}\n").rows[0].repetitions == times


def test_of_a_take_twice_the_first_row_counts(sheet):
    found = sheet(f"{HEADER}\nT1,horn,,,,,\nT1,tuba,,,,,\n")
    assert [row.instrument for row in found.rows] == ["horn"]
    assert found.problems == (
        "take_sheet.csv line 3: take T1 is there twice; the first row counts, remove or renumber this one",
    )


def test_rows_too_long_too_short_or_nameless_are_told(sheet):
    found = sheet(f"{HEADER}\nT1,horn,long,f,F3,G3,2,\nT2,horn\n,horn,long,f,F3,1,\n")
    assert [row.take for row in found.rows] == ["T1", "T2"]
    assert any("line 2: take T1: repetitions 'G3'" in problem for problem in found.problems)
    assert any("line 4: no take name" in problem for problem in found.problems)
    cells = sheet("take,pitches\nT1,F3,G3\n").problems
    assert any("3 cells for 2 columns" in problem for problem in cells)


@pytest.mark.parametrize(
    "data, says",
    [
        (b"", "empty"),
        (b"\n \n", "empty"),
        (b"PK\x03\x04\0\0", "binary"),
        (b'take\n"' + b"x" * 200_000, "field larger"),
    ],
)
def test_what_is_no_csv_is_one_line(sheet, data, says):
    found = sheet(data)
    assert found.rows == ()
    assert len(found.problems) == 1 and says in found.problems[0] and "\n" not in found.problems[0]


def test_an_unknown_encoding_is_told_and_the_takes_are_kept(sheet):
    found = sheet(f"{HEADER}\nT1,Hörner,long,f,F3,1,\n".encode("cp1252"))
    assert found.rows == (SheetRow("T1", "Hörner", "long", "f", (53,), 1, ""),)
    assert "line 2: not UTF-8" in found.problems[0]


def test_a_folder_in_place_of_the_sheet_is_one_line(tmp_path):
    (tmp_path / "take_sheet.csv").mkdir()
    assert "not readable" in read_sheet(tmp_path / "take_sheet.csv").problems[0]


@given(data=st.binary(max_size=200) | st.text('take,pitches;"\n\r\tF3 #', max_size=80).map(str.encode))
def test_no_bytes_raise(tmp_path_factory, data):
    found = read_sheet(write(tmp_path_factory.getbasetemp() / "any.csv", data))
    assert all("\n" not in problem for problem in found.problems)


@pytest.mark.parametrize(
    "cell, pitches",
    [
        ("E3-A3", range(52, 58)),
        ("E3..A3", range(52, 58)),
        ("E3 - A3", range(52, 58)),
        ("A3\u2013E3", range(57, 51, -1)),
        ("52-54 C4", (52, 53, 54, 60)),
        ("C0..D0", (12, 13, 14)),
    ],
)
def test_a_range_of_pitches_is_chromatic_and_may_go_down(sheet, cell, pitches):
    found = sheet(f"take,instrument,articulation,dynamic,pitches,repetitions,remark\nT1,horn,long,f,{cell},2,\n")
    assert (found.rows[0].pitches, found.problems, found.needs_person) == (tuple(pitches), (), False)


def test_a_range_without_an_end_is_read_without_pitches_and_needs_a_person(sheet):
    found = sheet("take,instrument,articulation,dynamic,pitches,repetitions,remark\nT1,horn,long,f,E3..H3,2,\n")
    assert found.rows[0].pitches == () and "'H3' is no pitch" in found.problems[0] and found.needs_person


def test_a_row_says_whether_natural_sounds_may_be_there(sheet):
    found = sheet("take,natural_sounds\nT1,none\nT2,Usual\nT3,\nT4,few\n")
    assert [row.natural_sounds for row in found.rows] == ["none", "usual", "", ""]
    (line,) = (line for line in found.problems if "'few'" in line)
    assert line == (
        "take_sheet.csv line 5: take T4: natural_sounds 'few': write usual or none, or leave it empty; "
        "read as the session has it"
    )
