"""The kinds of spots, hits and findings: one entry for each, with its text and marks in lists, pages and sheets.

A new noise kind needs its entry here, a sound in ``training/synthetic_noises.py``, a line in the recipe that
plants it, and new models: the noise network has one output for each kind of noise, in the order of this file.
What a kind of noise usually comes from, and what helps, is common practice, no source.
"""

from dataclasses import dataclass
from typing import Any, Literal

Family = Literal["performance", "noise", "technical", "natural"]
SIGNS: dict[Family, str] = {"performance": "◆", "noise": "✱", "technical": "‡", "natural": "○"}
# Marks on the session's timeline: kinds that are alike share one, so that the sheet reads without colour.
Mark = Literal["bar", "peak", "ring", "box", "line", "cross"]


@dataclass(frozen=True)
class Remedy:
    """What very likely causes a group of hits, what several of them are called, and what helps."""

    cause: str  # {mic}: the microphone
    counted: str
    advice: str
    regular: str = ""  # put first where the hits come at equal intervals


@dataclass(frozen=True)
class Kind:
    """One kind; ``label`` names a single one, ``flaw`` is what is wrong with a note that has it."""

    name: str
    family: Family
    label: str = ""
    flaw: str = ""
    covers: str = ""  # what belongs to it, where the name leaves that open
    finding: str = ""  # a technical fault as its spot names it
    mark: Mark = "peak"
    remedy: Remedy | None = None
    lasting: bool = False  # may sound through a whole take
    whole_take: bool = False  # spoils every note of the take
    serious: bool = False  # one is enough to be put right before the next session
    clocked: bool = False  # equal intervals point to its cause better than its place among the notes
    mended_by: str = ""  # what puts it right without a player: a copy, a flip, another file
    spoils_measuring: bool = False  # what a note measures through it says nothing of how it was played

    @property
    def words(self) -> str:
        """The name without hyphens."""
        return self.name.replace("-", " ")


_ALL = (
    Kind("intonation", "performance"),
    Kind("attack", "performance"),
    Kind("length", "performance"),
    Kind("level", "performance"),
    Kind("tone", "performance"),
    Kind("steadiness", "performance"),
    Kind("release", "performance"),
    Kind("wrong-note", "performance"),
    Kind("unlike", "performance", covers="unlike its neighbours, without a single cause"),
    Kind(
        "click",
        "noise",
        covers="a tick under 20 ms of a thing in the room, not of the samples",
        mark="bar",
        remedy=Remedy(
            "Something small and hard near {mic}", "clicks", "look for keys, buttons, loose cables and clips"
        ),
    ),
    Kind(
        "creak",
        "noise",
        covers="chair, floor, bench: stick and slip",
        remedy=Remedy("Chair or stand near {mic}", "creaks", "oil it or swap it"),
    ),
    Kind(
        "breath",
        "noise",
        covers="a player's air",
        mark="ring",
        remedy=Remedy("Breathing near {mic}", "breaths", "breathe out later, or turn the head away after the note"),
    ),
    Kind(
        "voice",
        "noise",
        covers="speech, a cough, a hum",
        mark="ring",
        remedy=Remedy("Voices at {mic}", "times", "nobody speaks until the room is quiet; keep talkback shut"),
    ),
    Kind(
        "knock",
        "noise",
        covers="stand, foot, door; a footstep; the first blow of a handling thump",
        mark="bar",
        remedy=Remedy("Feet, stands or cases near {mic}", "knocks", "put felt under what touches the floor"),
    ),
    Kind(
        "mechanism",
        "noise",
        label="valve or key noise",
        flaw="with key or valve noise",
        covers="valve, key, pedal, lip smack",
        mark="bar",
        remedy=Remedy("Valves, keys or pedals near {mic}", "noises", "oil them; fingers still while it rings"),
    ),
    Kind(
        "paper",
        "noise",
        flaw="with paper noise",
        covers="a page, cloth that rustles",
        remedy=Remedy(
            "Paper near {mic}", "noises", "spread the pages out before the take; turn none in the ring-out"
        ),
    ),
    Kind(
        "bleed",
        "noise",
        flaw="with bleed",
        covers="click track or music out of a headphone",
        mark="box",
        remedy=Remedy(
            "Headphones or click track at {mic}",
            "times",
            "turn them down, and look for an ear cup left open",
            regular="it is in time",
        ),
        clocked=True,
    ),
    Kind(
        "rumble",
        "noise",
        flaw="with rumble",
        covers="below 60 Hz: traffic, air conditioning, a handled stand",
        mark="line",
        remedy=Remedy(
            "Rumble at {mic}", "takes", "ventilation, traffic or the floor: switch off, wait, or float the stand"
        ),
        lasting=True,
    ),
    Kind(
        "hum",
        "noise",
        flaw="with hum",
        covers="mains and its harmonics, lamp buzz",
        mark="line",
        remedy=Remedy("Mains hum at {mic}", "takes", "check its cable and earth, and lamp dimmers near it"),
        lasting=True,
    ),
    Kind(
        "hiss",
        "noise",
        flaw="with hiss",
        covers="steady treble",
        mark="line",
        remedy=Remedy("Hiss at {mic}", "takes", "check the gain of its preamplifier and its own noise"),
        lasting=True,
    ),
    Kind(
        "other-noise",
        "noise",
        label="unclear noise",
        flaw="with a noise",
        covers="none of these, or which of them is unclear",
        remedy=Remedy("A noise of unclear kind near {mic}", "times", "listen to it first, then look there"),
    ),
    Kind(
        "dropout",
        "technical",
        finding="sound missing",
        mark="cross",
        remedy=Remedy("Sound missing at {mic}", "times", "check disk, cable and clock of the recorder; record again"),
        serious=True,
        clocked=True,
        spoils_measuring=True,
    ),
    Kind(
        "digital-click",
        "technical",
        covers="a step in the samples",
        finding="digital click",
        mark="cross",
        remedy=Remedy(
            "Clicks in the samples of {mic}",
            "times",
            "check the word clock and the recorder's buffer",
            regular="evenly means that two devices are not on one clock",
        ),
        serious=True,
        clocked=True,
    ),
    Kind(
        "clipped",
        "technical",
        flaw="clipped",
        finding="clipped",
        mark="cross",
        remedy=Remedy("Clipping at {mic}", "times", "turn its gain down by 6 dB or more"),
        serious=True,
    ),
    Kind(
        "dead-track",
        "technical",
        flaw="with a dead microphone",
        finding="digital silence",
        mark="cross",
        remedy=Remedy("Digital silence at {mic}", "takes", "check its cable, its power and the routing"),
        whole_take=True,
        serious=True,
    ),
    Kind(
        "polarity",
        "technical",
        flaw="with a microphone's polarity reversed",
        whole_take=True,
        mended_by="turn its polarity round, and check the cable",
    ),
    Kind(
        "delay",
        "technical",
        flaw="with a microphone late",
        whole_take=True,
        mended_by="move it into place, and check the routing",
    ),
    Kind(
        "truncated",
        "technical",
        flaw="in a truncated file",
        whole_take=True,
        mended_by="fetch the file again from the recorder",
    ),
    Kind(
        "copied",
        "technical",
        flaw="in a copy of another take",
        whole_take=True,
        mended_by="fetch the take's own files from the recorder",
    ),
    # Natural sounds of playing: no faults, unless they stand out among their like or the sheet wants none.
    Kind(
        "puff",
        "natural",
        label="puff",
        flaw="with a puff of breath",
        covers="air against the microphone",
        mark="ring",
        remedy=Remedy("Puffs of breath at {mic}", "puffs", "move it out of the line of the breath"),
    ),
    Kind(
        "lead-breath",
        "natural",
        label="breath before the tone",
        flaw="with a loud breath before it",
        mark="ring",
        remedy=Remedy("Breaths before the tone at {mic}", "breaths", "breathe in earlier, head away from it"),
    ),
    Kind(
        "key-sound",
        "natural",
        label="key, valve or slide",
        flaw="with loud keys, valves or slide",
        mark="bar",
        remedy=Remedy("Keys, valves or slide at {mic}", "times", "oil them; move them well before the note"),
    ),
    Kind(
        "bow-sound",
        "natural",
        label="bow or string",
        flaw="with loud bow or string noise",
        mark="box",
        remedy=Remedy("Bow or strings at {mic}", "times", "set the bow down earlier, lift it once the ring is over"),
    ),
)
KINDS = {kind.name: kind for kind in _ALL}
NOISES = tuple(kind.name for kind in _ALL if kind.family == "noise")
TECHNICAL = tuple(kind.name for kind in _ALL if kind.family == "technical")
UNCLEAR = "other-noise"
NATURAL = tuple(kind.name for kind in _ALL if kind.family == "natural")
SPOILS_MEASURING = tuple(kind.name for kind in _ALL if kind.spoils_measuring)


def kind_named(name: str) -> Kind:
    """Return a kind; a name that no entry has, as of another version, stands for one of the performance."""
    return KINDS.get(name) or Kind(name, "performance")


def family(name: str) -> Family:
    """Return what a kind is about: the performance, a noise, or a technical fault."""
    return kind_named(name).family


def label(name: str) -> str:
    """Return a kind as people name it."""
    kind = kind_named(name)
    return kind.label or kind.words


def flaw(name: str) -> str:
    """Return in a few words what is wrong with a note that has this: "with a creak"."""
    return kind_named(name).flaw or f"with a {label(name)}"


def as_json() -> list[dict[str, Any]]:
    """Return the kinds for the pages: name, family and sign, in the order of the lists."""
    return [{"name": kind.name, "family": kind.family, "sign": SIGNS[kind.family]} for kind in _ALL]
