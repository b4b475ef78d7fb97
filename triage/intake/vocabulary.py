"""The words of a take sheet: known articulations and dynamics, and a question about what looks misspelt.

A word that nobody knows is a cohort of its own, which is right for a session's own articulation and wrong for a slip:
"stacato" would be judged against nothing. So a word close to a known one is read as that one, and a line asks.
"""

import re
import unicodedata
from collections.abc import Collection
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path

from triage.domain.sheet_row import SheetRow
from triage.intake.session import SessionDescription
from triage.intake.sheet import ASKED, SHEET_FILE, TakeSheet, read_sheet

ARTICULATIONS = (
    "sustain, sustained, long, short, staccato, staccatissimo, spiccato, marcato, martelé, tenuto, portato, "
    "ricochet, accent, sforzando, forte-piano, legato, legato transition, slur, portamento, glissando, détaché, "
    "pizzicato, bartók pizzicato, col legno, tremolo, trill, flutter-tongue, double tongue, triple tongue, "
    "harmonics, sul ponticello, sul tasto, con sordino, muted, stopped, cuivré, vibrato, non vibrato, "
    "crescendo, diminuendo, swell, fall, doit, rip, growl, slap tongue, multiphonic, key click, breath"
).split(", ")
DYNAMICS = (
    "pppp",
    "ppp",
    "pp",
    "p",
    "mp",
    "mf",
    "f",
    "ff",
    "fff",
    "ffff",
    "fp",
    "sf",
    "sfz",
    "sffz",
    "sfp",
    "rfz",
    "n",
)
CLOSE = 0.85  # of two words' letters, twice those in common over all: "stacato" and "staccato" have 0.93


def sheet_of(folder: Path, session: SessionDescription) -> TakeSheet:
    """Return the take sheet of a session's folder, misspelt words asked about."""
    sheet, words = read_sheet(folder / SHEET_FILE, session.middle_c_octave), session.vocabulary
    return asked_about(sheet, words.articulations, words.dynamics)


def asked_about(sheet: TakeSheet, articulations: Collection[str], dynamics: Collection[str]) -> TakeSheet:
    """Return the sheet with misspelt words read as the known ones that they are close to, and a line for each.

    ``articulations`` and ``dynamics`` are the session's own words, which are never asked about.
    """
    known = {"articulation": [*articulations, *ARTICULATIONS], "dynamic": [*dynamics, *DYNAMICS]}
    meant = {
        (column, word): _meant(word, words)
        for column, words in known.items()
        for word in dict.fromkeys(getattr(row, column) for row in sheet.rows)
    }
    rows = [_read_as(row, {column: meant[column, getattr(row, column)] for column in known}) for row in sheet.rows]
    lines = [
        _question(column, word, found, [row.take for row in sheet.rows if getattr(row, column) == word])
        for (column, word), found in meant.items()
        if _folded(found) != _folded(word)
    ]
    return replace(sheet, rows=tuple(rows), problems=(*sheet.problems, *lines))


def _meant(word: str, known: Collection[str]) -> str:
    folded = {_folded(one): one for one in reversed(list(known))}
    if _folded(word) in folded or re.search(r"[0-9]", word):
        return folded.get(_folded(word), word)
    alike = [one for one in folded if len(one.split()) == len(word.split())]
    near = get_close_matches(_folded(word), alike, n=1, cutoff=CLOSE)
    return folded[near[0]] if near else word


def _folded(word: str) -> str:
    """Return a word without capitals and accents, a hyphen as a blank."""
    plain = unicodedata.normalize("NFKD", word.casefold())
    return "".join(sign for sign in plain if not unicodedata.combining(sign)).replace("-", " ")


def _read_as(row: SheetRow, words: dict[str, str]) -> SheetRow:
    return replace(row, articulation=words["articulation"], dynamic=words["dynamic"])


def _question(column: str, word: str, found: str, takes: list[str]) -> str:
    more = f" and {len(takes) - 3} more" if len(takes) > 3 else ""
    return (
        f"{SHEET_FILE}: {column} {word!r} of {', '.join(takes[:3])}{more}: is {found!r}{ASKED} It is read so; "
        f"correct it, or add {word!r} to {column}s under [vocabulary] in session.toml"
    )
