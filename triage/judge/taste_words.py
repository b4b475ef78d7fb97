"""The words of a taste: a producer's tolerances as sentences and as sizes in the unit that people speak of.

A log tolerance over the house's goes in, "you reject from 18 cents flat" comes out, and the other way round, for
tolerances set by hand.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.taste import HOUSE_JND, MOST, Taste

KINDS = ("intonation", "attack", "length", "level", "tone", "steadiness", "release", "wrong-note", "noise")
NAMES = {"attack": "attacks", "release": "releases", "wrong-note": "wrong notes", "noise": "noises"}
NAMES |= dict.fromkeys(("intonation", "length", "level", "tone", "steadiness"), "notes")  # with their unit
CLEAR = 0.15  # from this difference in a log tolerance on, it is worth a word


@dataclass(frozen=True)
class Scale:
    """How sizes of a kind are spoken of: one just noticeable difference, its unit, and the words for both sides."""

    step: float
    unit: str
    high: str
    low: str = ""
    digits: int = 0

    def size(self, log_tolerance: float) -> float:
        """Return a tolerance in the unit."""
        return self.step * HOUSE_JND * float(np.exp(log_tolerance))

    def text(self, log_tolerance: float, side: float = 0.0) -> str:
        """Return a tolerance in words: 18 cents flat."""
        word = self.low if side < 0 else self.high if side > 0 or not self.low else f"{self.low} or {self.high}"
        space = "" if self.unit == "%" else " "
        return f"{self.size(log_tolerance):.{self.digits}f}{space}{self.unit} {word}"


# Steps: just noticeable differences (common practice, no source). Kinds without a scale are told as ratios.
SCALES = {
    "intonation": Scale(5.0, "cents", "sharp", "flat"),
    "attack": Scale(20.0, "ms", "late to speak"),
    "length": Scale(10.0, "%", "too long", "too short"),
    "level": Scale(1.1, "dB", "too loud", "too soft", 1),
    "tone": Scale(2.2, "dB", "too bright", "too dull", 1),
    "steadiness": Scale(0.7, "dB", "unsteady", digits=1),
}


def tolerance_text(kind: str, log_tolerance: float, side: float = 0.0) -> str:
    """Return one tolerance in words."""
    if kind in SCALES:
        return SCALES[kind].text(log_tolerance, side)
    times = f"{np.exp(log_tolerance):.1f}"
    return "as the house does" if times == "1.0" else f"{times} times what the house lets pass"


def size_text(kind: str, log_tolerance: float) -> str:
    """Return a tolerance as a number alone, in the kind's unit, or as a ratio to the house's."""
    return (
        f"{SCALES[kind].size(log_tolerance):.{SCALES[kind].digits}f}"
        if kind in SCALES
        else f"{np.exp(log_tolerance):.1f}"
    )


def log_tolerance_of(kind: str, value: float) -> float:
    """Return the log tolerance over the house's of a size in the kind's unit, or of a ratio where it has none."""
    house = SCALES[kind].size(0.0) if kind in SCALES else 1.0
    if not np.isfinite(value) or value <= 0:
        raise JudgeError(f"a tolerance of {kind} is {value:g}; it is a size above 0, the house's is {house:g}")
    found = float(np.log(value / house))
    if abs(found) > MOST:
        least, most = house * np.exp(-MOST), house * np.exp(MOST)
        raise JudgeError(f"a tolerance of {kind} is {value:g}; it lies between {least:.2g} and {most:.2g}")
    return found


def sentences(taste: Taste, sure: dict[str, float] | None = None) -> list[str]:
    """Return what is particular about a taste, one sentence for each tolerance that differs from the house's.

    ``sure`` holds the standard deviation of each kind's log tolerance; what it does not tell from the house's is
    left out, as is what is locked.
    """
    return list(_sentences(taste, sure or {}))


def _sentences(taste: Taste, sure: dict[str, float]) -> Iterator[str]:
    for kind, own in sorted(taste.kind.items(), key=lambda item: -abs(item[1])):
        if kind in taste.locked:
            continue
        word, away = NAMES.get(kind, kind.replace("-", " ")), taste.direction.get(kind, 0.0)
        if abs(own) > max(CLEAR, sure.get(kind, 0.0)):
            yield _about(kind, word, own, away)
        for (name, articulation), more in taste.articulation.items():
            if name == kind and abs(more) > CLEAR:
                yield f"in {articulation} you {_lets(kind, word, own + more)}"


def _about(kind: str, word: str, own: float, away: float) -> str:
    if own > 2.0:
        return f"you hardly mind {kind.replace('-', ' ')}"
    if kind in SCALES and SCALES[kind].low and abs(away) > CLEAR:
        low, high = tolerance_text(kind, own - away, -1), tolerance_text(kind, own + away, 1)
        return f"you reject from {low} and from {high}"
    return f"you {_lets(kind, word, own)}"


def _lets(kind: str, word: str, own: float) -> str:
    if kind not in SCALES:
        return (
            f"let {word} be {np.exp(own):.1f} times as bad as the house does"
            if own > 0
            else (f"reject {word} at {np.exp(own):.0%} of what the house lets pass")
        )
    return (
        f"let {word} be up to {tolerance_text(kind, own)}" if own > 0 else f"reject from {tolerance_text(kind, own)}"
    )
