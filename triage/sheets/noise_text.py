"""Words of the noise sheet: a group of hits as one line, and what to put right before the next session.

In: groups of ``judge/hit_groups.py`` and backgrounds. Out: plain English sentences. What each kind of noise usually
comes from, and what helps, is common practice, no source.
"""

from collections.abc import Sequence

from triage.judge.hit_groups import HitGroup
from triage.judge.noise_rating import MOST_NR, NoiseRating

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
NAMES = {
    "mechanism": "valve or key noise",
    "other-noise": "other noise",
    "digital-click": "digital click",
    "dead-track": "dead track",
    "bleed": "bleed",
}
# kind -> what it is likely to be, what many of it are called, what helps
REMEDIES = {
    "creak": ("Chair or stand near {mic}", "creaks", "oil it or swap it"),
    "knock": ("Feet, stands or cases near {mic}", "knocks", "put felt under what touches the floor"),
    "click": ("Something small and hard near {mic}", "clicks", "look for keys, buttons, loose cables and clips"),
    "mechanism": ("Valves, keys or pedals near {mic}", "noises", "oil them; fingers still while it rings"),
    "breath": ("Breathing near {mic}", "breaths", "breathe out later, or turn the head away after the note"),
    "voice": ("Voices at {mic}", "times", "nobody speaks until the room is quiet; keep talkback shut"),
    "paper": ("Paper near {mic}", "noises", "spread the pages out before the take; turn none in the ring-out"),
    "bleed": ("Headphones or click track at {mic}", "times", "turn them down, and look for an ear cup left open"),
    "other-noise": ("A noise of no known kind near {mic}", "times", "listen to it first, then look there"),
    "hum": ("Mains hum at {mic}", "takes", "check its cable and earth, and lamp dimmers near it"),
    "rumble": ("Rumble at {mic}", "takes", "ventilation, traffic or the floor: switch off, wait, or float the stand"),
    "hiss": ("Hiss at {mic}", "takes", "check the gain of its preamplifier and its own noise"),
    "dropout": ("Sound missing at {mic}", "times", "check disk, cable and clock of the recorder; record again"),
    "digital-click": ("Clicks in the samples of {mic}", "times", "check the word clock and the recorder's buffer"),
    "clipped": ("Full scale reached at {mic}", "times", "turn its gain down by 6 dB or more"),
    "dead-track": ("Digital silence at {mic}", "takes", "check its cable, its power and the routing"),
}
EVENLY = {"digital-click": "evenly means that two devices are not on one clock", "bleed": "it is in time"}
# from, to Hz, what makes most noise there
CAUSES = (
    (0.0, 150.0, "ventilation, traffic and footfall"),
    (150.0, 1500.0, "ventilation, lamps and computers"),
    (1500.0, 20_000.0, "the noise of the microphone or of its preamplifier itself, and air at grilles"),
)


def name_of(kind: str) -> str:
    """Return a kind as people say it."""
    return NAMES.get(kind, kind.replace("-", " "))


def rhythm_of(group: HitGroup) -> str:
    """Return when a group's hits come, or nothing where they come at any time."""
    if group.rhythm.startswith("after-"):
        after = group.rhythm.removeprefix("after-")
        if after == "0":
            words = "before the first note"
        else:
            words = f"after the {after if after == 'last' else ordinal(int(after))} note"
    else:
        evenly = "evenly" if group.period_s is None else f"every {group.period_s:.2f} s"
        known = {"note-ends": "as notes end", "before-notes": "shortly before notes", "regular": evenly}
        words = known.get(group.rhythm, "")
    return f"always {words}" if words and group.always and group.rhythm != "regular" else words


def ordinal(number: int) -> str:
    """Return first, second, ... in words up to tenth, in figures after it."""
    if number <= len(ORDINALS):
        return ORDINALS[number - 1]
    last = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"


def count_of(group: HitGroup) -> str:
    """Return how often a group was heard, and in how many takes."""
    takes = f"in {group.takes} take{'' if group.takes == 1 else 's'}"
    return takes if group.rhythm == "steady" else f"{_number(len(group.hits), 'times')} {takes}"


def line_of(group: HitGroup) -> str:
    """Return a group as one line: kind, microphone, how often, when."""
    return ", ".join(part for part in (name_of(group.kind), group.mic, count_of(group), rhythm_of(group)) if part)


def levels_of(group: HitGroup) -> str:
    """Return from which to which level a group's hits go."""
    if group.low_dbfs is None or group.high_dbfs is None:
        return ""
    low, high = round(group.low_dbfs), round(group.high_dbfs)
    return f"{low} dBFS" if low == high else f"{low} to {high} dBFS"


def remedy_of(group: HitGroup, course: str = "") -> str:
    """Return what very likely causes a group and what helps against it, as one sentence; ``course`` of its level."""
    cause, many, help_ = REMEDIES.get(group.kind, REMEDIES["other-noise"])
    found = [_number(group.takes if many == "takes" else len(group.hits), many), rhythm_of(group), course]
    if group.rhythm == "regular" and group.kind in EVENLY:
        help_ = f"{EVENLY[group.kind]}; {help_}"
    where = cause.format(mic=f"the {group.mic} microphone")
    return f"{where}: {', '.join(part for part in found if part)}; {help_}."


def rating_text(rated: Sequence[tuple[str, NoiseRating]]) -> str:
    """Return one sentence on the microphones whose background is over the most for a listening room."""
    where = ", ".join(f"NR {one.curve} at {mic} by its {one.band_hz:g} Hz octave" for mic, one in rated)
    bands = [one.band_hz for _, one in rated]
    causes = [words for low, high, words in CAUSES if any(low <= hz <= high for hz in bands)]
    look = ", or ".join(causes)
    return f"The background is above NR {MOST_NR}, the most for a listening room ({where}): look for {look}."


def _number(count: int, many: str) -> str:
    if many == "times":
        return {1: "once", 2: "twice"}.get(count, f"{count} times")
    return f"{count} {many if count != 1 else many.removesuffix('s')}"
