"""The take sheet: what each take is to hold.

In: take_sheet.csv, UTF-8, cells separated by comma, semicolon or tab, one row per take. Out: rows with pitches as
MIDI numbers (sounding), and one line for each thing that a person should put right. Nothing here stops a session: a
bad cell costs that cell, a bad row that row, and no sheet at all leaves an empty one.
"""

import csv
import io
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from triage.domain.errors import SheetError
from triage.domain.pitch import HIGHEST_MIDI, parse_pitch
from triage.domain.sheet_row import NaturalSounds, SheetRow

SHEET_FILE = "take_sheet.csv"
COLUMNS = ("take", "instrument", "articulation", "dynamic", "pitches", "repetitions", "remark")
# Where players and microphones stood, wherever that changes within a session; whether natural sounds may be there.
OPTIONAL = ("setup", "natural_sounds")
SEPARATORS = (",", ";", "\t")
# C0, 16.4 Hz: no instrument sounds lower (the piano ends at MIDI 21, the longest organ pipes at 12).
LOWEST_SOUNDING_MIDI = 12
# Far above any plan; a typing error must not become a list of millions of notes.
MOST_REPETITIONS = 1_000
DASHES = r"\.\.|…|\u2013|\u2014"  # between the ends of a range, as people and their spreadsheets type them
ASKED = " meant?"  # in a line about a word that looks misspelt
WITHOUT_PITCHES = "the take is read without pitches"
MOST_BYTES = 20_000_000  # a hundred thousand takes


@dataclass(frozen=True)
class TakeSheet:
    """The rows in the sheet's order, each take once, and the lines about what could not be read."""

    rows: tuple[SheetRow, ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def needs_person(self) -> bool:
        """Whether a person has to answer: a row was read without its pitches, or a word is asked about."""
        return any(line.endswith(WITHOUT_PITCHES) or ASKED in line for line in self.problems)


def read_sheet(path: Path, middle_c_octave: int = 4) -> TakeSheet:
    """Return everything readable of a take sheet, and one line for each thing that is not.

    Parameters
    ----------
    path : Path
        The CSV file.
    middle_c_octave : int
        The octave number that MIDI 60 carries in its note names.

    Returns
    -------
    TakeSheet
        Empty, with a problem line, where there is no such file or no `take` column.
    """
    path = Path(path)
    try:
        text, problems = _decoded(path)
        lines = _table(text)
    except FileNotFoundError:
        return TakeSheet(problems=(f"{path.name}: not found; takes are ranked without knowing what was planned",))
    except (OSError, csv.Error, SheetError) as error:
        return TakeSheet(problems=(f"{path.name}: not readable as CSV ({error}); save it as CSV, UTF-8",))
    rows, mistakes = _rows(lines, middle_c_octave)
    return TakeSheet(tuple(rows), (*problems, *(f"{path.name}{mistake}" for mistake in mistakes)))


def _rows(lines: list[tuple[int, list[str]]], middle_c_octave: int) -> tuple[list[SheetRow], list[str]]:
    """Return the rows, each take once, and lines about mistakes, to be put behind the file's name."""
    if not lines:
        return [], [f": empty; expected the columns {' '.join(COLUMNS)}"]
    (_, header), *body = lines
    places, found = _places(header)
    problems = [f": {mistake}" for mistake in found]
    rows: dict[str, SheetRow] = {}
    for number, cells in body if "take" in places else ():
        row, mistakes = _row(cells, places, len(header), middle_c_octave)
        if row and row.take in rows:
            mistakes = [f"take {row.take} is there twice; the first row counts, remove or renumber this one"]
        elif row:
            rows[row.take] = row
        problems += [f" line {number}: {mistake}" for mistake in mistakes]
    return list(rows.values()), problems


def _decoded(path: Path) -> tuple[str, list[str]]:
    if path.stat().st_size > MOST_BYTES:
        raise SheetError(f"{path.stat().st_size} bytes, far too many for a sheet; is it another file?")
    data = path.read_bytes()
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), []
    if b"\0" in data:
        raise SheetError("it holds binary data")
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        # Spreadsheets on Windows save so; every byte has a meaning in Latin-1, so the takes are not lost.
        line = data.count(b"\n", 0, error.start) + 1
        mistake = f"{path.name} line {line}: not UTF-8, read as Latin-1; check accents, then save it as CSV, UTF-8"
        return data.decode("latin-1"), [mistake]


def _table(text: str) -> list[tuple[int, list[str]]]:
    """Return (line number from 1, cells) of each line that holds anything; the first is the header."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(SEPARATORS, key=header.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    lines = []
    for cells in reader:
        cells = [unicodedata.normalize("NFC", " ".join(cell.split())) for cell in cells]
        if any(cells):
            lines.append((reader.line_num, cells))
    return lines


def _places(header: list[str]) -> tuple[dict[str, int], list[str]]:
    """Return the place of each known column, and a line for each mistake in the header."""
    names = [cell.lower() for cell in header]
    places = {column: names.index(column) for column in (*COLUMNS, *OPTIONAL) if column in names}
    known = " ".join((*COLUMNS, *OPTIONAL))
    mistakes = [
        f"unknown column {name!r} ignored; known columns: {known}"
        for name in dict.fromkeys(names)
        if name and name not in (*COLUMNS, *OPTIONAL)
    ]
    mistakes += [
        f"column {column!r} is there twice; the first counts" for column in places if names.count(column) > 1
    ]
    missing = [column for column in COLUMNS if column not in places]
    if "take" in missing:
        mistakes.append(f"no column 'take', so no row can be read; the first line must name the columns {known}")
    elif missing:
        mistakes.append(f"no column {' '.join(missing)}; read as empty")
    return places, mistakes


def _row(
    cells: list[str], places: dict[str, int], width: int, middle_c_octave: int
) -> tuple[SheetRow | None, list[str]]:
    cell = {column: cells[place] if place < len(cells) else "" for column, place in places.items()}
    take = cell.pop("take")
    if not take:
        return None, ["no take name; the row is left out"]
    pitches, mistakes = _pitches(cell.pop("pitches", ""), middle_c_octave)
    repetitions, mistake = _repetitions(cell.pop("repetitions", ""))
    mistakes += mistake
    natural_sounds, mistake = _natural_sounds(cell.pop("natural_sounds", ""))
    mistakes += mistake
    if any(cells[width:]):
        mistakes.append(f"{len(cells)} cells for {width} columns; put a cell that holds a separator in quotes")
    row = SheetRow(take, pitches=pitches, repetitions=repetitions, natural_sounds=natural_sounds, **cell)
    return row, [f"take {take}: {mistake}" for mistake in mistakes]


def _pitches(text: str, middle_c_octave: int) -> tuple[tuple[int, ...], list[str]]:
    """Return all pitches of a cell, or none and a line: with one pitch lost the others' order is unsure."""
    pitches: list[int] = []
    joined = re.sub(rf"\s*({DASHES})\s*|\s+(-)\s+", r"\1\2", text.strip(" ,;"))  # "E3 - A3" is one range
    for word in re.split(r"[\s,;]+", joined) if joined else ():
        try:
            found = _range(word, middle_c_octave)
        except SheetError as error:
            return (), [f"pitches: {error}; {WITHOUT_PITCHES}"]
        if (pitch := min(found)) < LOWEST_SOUNDING_MIDI:
            span = f"{LOWEST_SOUNDING_MIDI} to {HIGHEST_MIDI}"
            return (), [f"pitches: {word!r} is MIDI {pitch}, expected a sounding pitch of {span}; {WITHOUT_PITCHES}"]
        pitches += found
    return tuple(pitches), []


def _range(word: str, middle_c_octave: int) -> list[int]:
    """Return the pitches of a word: one of "E3", a chromatic range of "E3-A3", "E3..A3" or, downwards, "A3-E3"."""
    ends = re.fullmatch(rf"(.*?[0-9])(?:-|{DASHES})(.*)", word)
    if ends is None:
        return [parse_pitch(word, middle_c_octave)]
    first, last = (parse_pitch(end, middle_c_octave) for end in ends.groups())
    step = 1 if first <= last else -1
    return list(range(first, last + step, step))


def _repetitions(text: str) -> tuple[int, list[str]]:
    if not text:
        return 1, []
    # Spreadsheets may write 3 as "3.0".
    whole = re.fullmatch(r"0*([1-9][0-9]{0,3})(?:[.,]0+)?", text)
    if not whole or int(whole[1]) > MOST_REPETITIONS:
        return 1, [f"repetitions {text!r} is no whole number of 1 to {MOST_REPETITIONS}; read as 1"]
    return int(whole[1]), []


def _natural_sounds(text: str) -> tuple[NaturalSounds | Literal[""], list[str]]:
    for known in get_args(NaturalSounds):
        if text.casefold() == known:
            return known, []
    if not text:
        return "", []
    mistake = f"natural_sounds {text!r}: write usual or none, or leave it empty; read as the session has it"
    return "", [mistake]
