"""Text of the noise sheet: a group of hits as one line, and what to fix before the next session.

In: groups of ``judge/hit_groups.py`` and backgrounds. Out: plain English sentences. What each kind of noise usually
comes from, and what helps, is common practice, no source.
"""

from collections.abc import Sequence

from triage.domain.kinds import KINDS, Remedy, kind_named, label
from triage.judge.hit_groups import HitGroup
from triage.judge.noise_rating import MOST_NR, NoiseRating

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
UNKNOWN = KINDS["other-noise"].remedy or Remedy("{mic}", "times", "")
# from, to Hz, the usual source of noise there
CAUSES = (
    (0.0, 150.0, "ventilation, traffic and footfall"),
    (150.0, 1500.0, "ventilation, lamps and computers"),
    (1500.0, 20_000.0, "the noise of the microphone or of its preamplifier itself, and air at grilles"),
)


def rhythm_of(group: HitGroup) -> str:
    """Return when a group's hits come, or nothing where they come at any time."""
    if group.rhythm.startswith("after-"):
        after = group.rhythm.removeprefix("after-")
        if after == "0":
            text = "before the first note"
        else:
            text = f"after the {after if after == 'last' else ordinal(int(after))} note"
    else:
        evenly = "evenly" if group.period_s is None else f"every {group.period_s:.2f} s"
        known = {"note-ends": "as notes end", "before-notes": "shortly before notes", "regular": evenly}
        text = known.get(group.rhythm, "")
    return f"always {text}" if text and group.always and group.rhythm != "regular" else text


def ordinal(number: int) -> str:
    """Return first, second, ... in text up to tenth, in figures after it."""
    if number <= len(ORDINALS):
        return ORDINALS[number - 1]
    last = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"


def count_of(group: HitGroup) -> str:
    """Return how often a group occurs, and in how many takes."""
    takes = f"in {group.takes} take{'' if group.takes == 1 else 's'}"
    return takes if group.rhythm == "steady" else f"{_number(len(group.hits), 'times')} {takes}"


def line_of(group: HitGroup) -> str:
    """Return a group as one line: kind, microphone, how often, when."""
    return ", ".join(part for part in (label(group.kind), group.mic, count_of(group), rhythm_of(group)) if part)


def levels_of(group: HitGroup) -> str:
    """Return from which to which level a group's hits go."""
    if group.low_dbfs is None or group.high_dbfs is None:
        return ""
    low, high = round(group.low_dbfs), round(group.high_dbfs)
    return f"{low} dBFS" if low == high else f"{low} to {high} dBFS"


def remedy_of(group: HitGroup, trend: str = "") -> str:
    """Return what very likely causes a group and what helps against it, as one sentence; ``trend`` of its level."""
    remedy = kind_named(group.kind).remedy or UNKNOWN
    many = remedy.counted
    found = [_number(group.takes if many == "takes" else len(group.hits), many), rhythm_of(group), trend]
    where = remedy.cause.format(mic=f"the {group.mic} microphone")
    helps = [remedy.regular if group.rhythm == "regular" else "", remedy.advice]
    return f"{where}: {', '.join(part for part in found if part)}; {'; '.join(part for part in helps if part)}."


def rating_text(rated: Sequence[tuple[str, NoiseRating]]) -> str:
    """Return one sentence on the microphones whose background is over the most for a listening room."""
    where = ", ".join(f"NR {one.curve} at {mic} by its {one.band_hz:g} Hz octave" for mic, one in rated)
    bands = [one.band_hz for _, one in rated]
    causes = [text for low, high, text in CAUSES if any(low <= hz <= high for hz in bands)]
    look = ", or ".join(causes)
    return f"The background is above NR {MOST_NR}, the most for a listening room ({where}): look for {look}."


def _number(count: int, many: str) -> str:
    if many == "times":
        return {1: "once", 2: "twice"}.get(count, f"{count} times")
    return f"{count} {many if count != 1 else many.removesuffix('s')}"
