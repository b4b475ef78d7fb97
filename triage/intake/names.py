"""File names by pattern: a path inside the audio folder becomes take, mic and the other fields.

In: a pattern such as "{take}_{mic}.wav", which may hold folders ("{take}/{mic}.wav"), and what is known of
the session, its mics and the takes of its sheet. Out: a dict of field to text, or None where the name does
not fit. A field never crosses a "/". Text between fields is literal; only the file's extension may differ: in
case, and a session may hold WAV, AIFF and FLAC files side by side.
"""

import math
import re
import unicodedata
from collections.abc import Collection, Sequence

from triage.domain.errors import ConfigError

FIELDS = ("take", "mic", "instrument", "articulation", "dynamic", "pitch", "repetition")
# Tried first, so that in "T_01_F#3.wav" with "{take}_{pitch}.wav" the take keeps its separator.
LIKELY = {"pitch": r"(?:[A-Ga-g][#♯b♭]{0,2}-?[0-9]{1,2}|[0-9]{1,3})", "repetition": r"[0-9]{1,3}"}
ANYTHING = r"[^/]+?"
EXTENSIONS = ("wav", "wave", "bwf", "rf64", "bw64", "aif", "aiff", "aifc", "flac")  # of recordings that can be read
# Names with so many separators that trying every split would take minutes fit nothing a person named.
MOST_SPLITS = 200_000


class NamePattern:
    """A session's file name pattern, compiled once and matched against each path.

    Parameters
    ----------
    pattern : str
        Text with fields in braces: take (needed), mic, instrument, articulation, dynamic, pitch, repetition.
        A field written twice must hold the same text twice.
    mics : sequence of str
        The session's mic names: where given, {mic} is one of them and nothing else.
    takes : collection of str
        The take names of the sheet: where several splits are possible, one that yields a known take wins.

    Raises
    ------
    ConfigError
        If a field is unknown, {take} is missing, a brace stands alone, two fields touch, or the pattern
        leaves the folder.
    """

    def __init__(self, pattern: str, mics: Sequence[str] = (), takes: Collection[str] = ()):
        self.pattern = pattern
        self._parts = _split(unicodedata.normalize("NFC", pattern))
        self.fields = tuple(dict.fromkeys(field for _, field in self._parts if field))
        _check(pattern, self._parts)
        likely = dict(LIKELY)
        if takes:
            likely["take"] = _one_of(takes)
        known = {"mic": _one_of(mics)} if mics else {}
        self._tries = [
            re.compile(self._regex(known | {field: likely[field] for field in narrowed}))
            for narrowed in _narrowings([field for field in self.fields if field in likely])
        ]

    def match(self, relative: str) -> dict[str, str] | None:
        """Return the fields of a path inside the audio folder, or None where it does not fit.

        Parameters
        ----------
        relative : str
            Posix path relative to the session's audio folder. Composed and decomposed accents are the same.

        Returns
        -------
        dict of str to str, or None
            Only the fields that the pattern holds.
        """
        text = unicodedata.normalize("NFC", relative)
        if self._splits(text) > MOST_SPLITS:
            return None
        for regex in self._tries:
            if fitted := regex.fullmatch(text):
                return fitted.groupdict()
        return None

    def _regex(self, values: dict[str, str]) -> str:
        pieces, seen = [], set()
        for position, (literal, field) in enumerate(self._parts):
            pieces.append(_literal(literal, last=position == len(self._parts) - 1))
            if field:
                pieces.append(f"(?P={field})" if field in seen else f"(?P<{field}>{values.get(field, ANYTHING)})")
                seen.add(field)
        return "".join(pieces)

    def _splits(self, text: str) -> int:
        separators = [literal for literal, _ in self._parts[1:-1]]
        places = sum(text.count(literal) for literal in set(separators))
        return math.comb(places, min(len(separators), places // 2))


def _split(pattern: str) -> list[tuple[str, str]]:
    """Cut a pattern into (literal, field that follows it); the last literal has no field."""
    pieces = re.split(r"\{([^{}]*)\}", pattern)
    return list(zip(pieces[::2], [*pieces[1::2], ""], strict=True))


def _check(pattern: str, parts: list[tuple[str, str]]) -> None:
    fields = [field for _, field in parts[:-1]]
    if any("{" in literal or "}" in literal for literal, _ in parts):
        raise ConfigError(f"files.name {pattern[:100]!r}: a brace stands alone; write fields as {{take}}")
    known = " ".join(FIELDS)
    for field in fields:
        if field not in FIELDS:
            raise ConfigError(f"files.name {pattern[:100]!r}: unknown field {{{field[:100]}}}; known fields: {known}")
    if "take" not in fields:
        raise ConfigError(f"files.name {pattern[:100]!r}: no {{take}}; add it, takes are distinguished by it")
    if any(not literal for literal, _ in parts[1:-1]):
        raise ConfigError(f"files.name {pattern[:100]!r}: two fields touch; put a separator such as _ between them")
    if "\\" in pattern or pattern.startswith("/") or ".." in pattern.split("/"):
        raise ConfigError(f"files.name {pattern[:100]!r}: must stay inside files.folder; write folders as a/b.wav")


def _literal(text: str, last: bool) -> str:
    stem, dot, extension = text.rpartition(".")
    if not last or not dot:
        return re.escape(text)
    kinds = EXTENSIONS if extension.lower() in EXTENSIONS else (extension,)
    return re.escape(stem) + rf"\.(?i:{'|'.join(map(re.escape, kinds))})"


def _one_of(names: Collection[str]) -> str:
    composed = {unicodedata.normalize("NFC", name) for name in names}
    # Longest first: of the mics "close" and "b_close" the longer one explains more of the name.
    return "|".join(re.escape(name) for name in sorted(composed, key=lambda name: (-len(name), name)))


def _narrowings(fields: list[str]) -> list[list[str]]:
    """Order in which narrow fields are tried: all, a known take alone, pitch-like ones alone, none."""
    known = [field for field in fields if field == "take"]
    shaped = [field for field in fields if field != "take"]
    return [fields, known, shaped, []]
