"""Groups of noise hits: those that share microphone, kind and rhythm very likely have one cause, and one line.

In: hits and the times of the notes, in seconds. Out: each hit's group, named ``microphone:kind:rhythm`` and so the
same in every run and session; and for each group what a person needs to find the cause. Rhythms are those of
``hit_rhythms.py``, ``steady`` for what lasts, and ``any`` for hits at irregular times.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from triage.domain.kinds import UNCLEAR, kind_named
from triage.judge.hit_rhythms import TakeNotes, keeps, note_rhythm, regular
from triage.judge.learned_hits import ALIKE_DB, LENGTH_RATIO, sound_distance_db

LEAST_ALIKE = 3  # hits that sound the same

LASTING_S = 2.0  # a shorter hum is an event like any other
MISREAD_S, MISREAD_DB = 0.3, 10.0  # this near to a group's usual time and level a hit of another kind was misread
AUDIBLE = 0.5  # exposed from here on


class DetectedHit(Protocol):
    """A noise hit as the store gives it."""

    @property
    def take(self) -> str:
        """Name of the take."""

    @property
    def kind(self) -> str:
        """A kind of noise."""

    @property
    def mic(self) -> str:
        """Where it is loudest."""

    @property
    def start_s(self) -> float:
        """From the start of the take."""

    @property
    def end_s(self) -> float:
        """From the start of the take."""

    @property
    def level_dbfs(self) -> float | None:
        """None for a fault in the samples, which has no level of its own."""

    @property
    def exposed(self) -> float | None:
        """From 0, masked, to 1."""

    @property
    def sound(self) -> tuple[float, ...]:
        """Level of each part of its spectrum, in dB of the highest; empty where unknown."""


@dataclass(frozen=True)
class HitGroup:
    """What is known of a group; ``hits`` are the places of its hits in the list, in that list's order."""

    key: str
    mic: str
    kind: str
    rhythm: str
    hits: tuple[int, ...]
    takes: int
    audible: int  # hits that are exposed
    exposed: float  # median
    low_dbfs: float | None
    high_dbfs: float | None
    worst: int  # place of the hit to hear first
    always: bool  # there is no other hit of this kind on this microphone
    period_s: float | None = None

    @property
    def first(self) -> int:
        """Place of its first hit."""
        return self.hits[0]

    @property
    def last(self) -> int:
        """Place of its last hit."""
        return self.hits[-1]


def key_of(mic: str, kind: str, rhythm: str) -> str:
    """Return a group's name."""
    return f"{mic}:{kind}:{rhythm}"


def parts_of(key: str) -> tuple[str, str, str]:
    """Return microphone, kind and rhythm of a group's name; only a microphone's may hold a colon."""
    mic, kind, rhythm = key.rsplit(":", 2)
    return mic, kind, rhythm


def group_keys(hits: Sequence[DetectedHit], notes: Mapping[str, TakeNotes], known: Collection[str] = ()) -> list[str]:
    """Return the group of each hit.

    Hits of one microphone and kind are split by rhythm: the surest one is taken out first, then the next, and what
    is left has none. Then hits of other kinds at just the same place and level in the take are taken for misread
    ones: the majority names the group. At last those without a rhythm that sound the same are one group, in whatever
    microphone and of whatever kind each was found: the same chair creaks all day.

    Parameters
    ----------
    hits : sequence of DetectedHit
    notes : mapping of str to TakeNotes
        Of every take with a hit.
    known : collection of str
        Groups that a person has marked: a hit that fits one belongs to it without further proof, so that the mark
        still holds when hits come and go.

    Returns
    -------
    list of str
        One name a hit.
    """
    rhythms = ["any"] * len(hits)
    own: dict[tuple[str, str], list[int]] = {}
    for i, hit in enumerate(hits):
        if kind_named(hit.kind).lasting and hit.end_s - hit.start_s >= LASTING_S:
            rhythms[i] = "steady"
        else:
            own.setdefault((hit.mic, hit.kind), []).append(i)
    for (mic, kind), members in own.items():
        sure = [rhythm for key in sorted(known) if (rhythm := parts_of(key)[2]) and key == key_of(mic, kind, rhythm)]
        for rhythm, found in _split(hits, notes, members, kind_named(kind).clocked, sure):
            for i in found:
                rhythms[i] = rhythm
    kinds = _majority(hits, notes, [hit.kind for hit in hits], rhythms)
    mics = [hit.mic for hit in hits]
    keys = [key_of(*one) for one in zip(mics, kinds, rhythms, strict=True)]
    loose = [i for i, rhythm in enumerate(rhythms) if rhythm == "any" and keys[i] not in known]
    for cause in _alike(hits, loose):
        clear = [kinds[i] for i in cause if kinds[i] != UNCLEAR]
        name = key_of(_most([mics[i] for i in cause]), _most(clear or [UNCLEAR]), "any")
        for i in cause:
            keys[i] = name
    return keys


def _alike(hits: Sequence[DetectedHit], loose: Sequence[int]) -> list[list[int]]:
    """Return the hits that sound the same, LEAST_ALIKE or more together: one cause, whatever each was taken for.

    Each hit joins the first one before it that it is within ALIKE_DB of, by the parts of its spectrum, and no longer
    or shorter than LENGTH_RATIO times.
    """
    found: list[list[int]] = []
    for i in loose:
        for own in found:
            if _sound_same(hits[i], hits[own[0]]):
                own.append(i)
                break
        else:
            found.append([i])
    return [own for own in found if len(own) >= LEAST_ALIKE]


def _sound_same(one: DetectedHit, other: DetectedHit) -> bool:
    lengths = [max(hit.end_s - hit.start_s, 1e-3) for hit in (one, other)]
    if max(lengths) > LENGTH_RATIO * min(lengths):
        return False
    return sound_distance_db(one.sound, other.sound) <= ALIKE_DB


def _most(names: Sequence[str]) -> str:
    """Return the most frequent name, of several the first in the alphabet."""
    counts = Counter(names)
    return min(counts, key=lambda name: (-counts[name], name))


def groups_of(hits: Sequence[DetectedHit], keys: Sequence[str]) -> list[HitGroup]:
    """Return the groups, the worst first: by how exposed they are (in quarters), how loud (in 6 dB), how often.

    Parameters
    ----------
    hits : sequence of DetectedHit
        In the session's order.
    keys : sequence of str
        The group of each.

    Returns
    -------
    list of HitGroup
    """
    members: dict[str, list[int]] = {}
    for i, key in enumerate(keys):
        members.setdefault(key, []).append(i)
    alike = Counter(key.rsplit(":", 1)[0] for key in keys)
    groups = [_group(hits, key, own, alike[key.rsplit(":", 1)[0]] == len(own)) for key, own in members.items()]
    return sorted(groups, key=_badness)


def _badness(group: HitGroup) -> tuple[float, float, int, str]:
    loud = -200.0 if group.high_dbfs is None else group.high_dbfs
    return -np.round(4 * group.exposed), -np.round(loud / 6), -len(group.hits), group.key


def _group(hits: Sequence[DetectedHit], key: str, own: list[int], always: bool) -> HitGroup:
    mic, kind, rhythm = parts_of(key)
    levels = [level for i in own if (level := hits[i].level_dbfs) is not None]
    exposed = [hits[i].exposed or 0.0 for i in own]
    times = [hits[i].start_s for i in own], [hits[i].take for i in own]
    found = regular(*times, sure=True) if rhythm == "regular" else None
    worst = max(own, key=lambda i: (hits[i].exposed or 0.0, hits[i].level_dbfs or -200.0, -i))
    return HitGroup(
        key,
        mic,
        kind,
        rhythm,
        tuple(own),
        len({hits[i].take for i in own}),
        sum(e >= AUDIBLE for e in exposed),
        float(np.median(exposed)),
        min(levels, default=None),
        max(levels, default=None),
        worst,
        always,
        found.period_s if found else None,
    )


def _split(
    hits: Sequence[DetectedHit],
    notes: Mapping[str, TakeNotes],
    members: list[int],
    by_the_clock: bool,
    sure: Sequence[str],
) -> Iterable[tuple[str, list[int]]]:
    """Yield each rhythm of one microphone's hits of one kind, and the hits that keep to it."""
    left = list(members)

    def times() -> tuple[list[float], list[str]]:
        return [hits[i].start_s for i in left], [hits[i].take for i in left]

    def taken(kept: np.ndarray) -> list[int]:
        nonlocal left
        found = [i for i, kept_one in zip(left, kept, strict=True) if kept_one]
        left = [i for i in left if i not in set(found)]
        return found

    for rhythm in sure:
        if rhythm not in ("any", "regular") and left and (found := taken(keeps(rhythm, *times(), notes))):
            yield rhythm, found
    if by_the_clock and (even := regular(*times(), sure="regular" in sure)):
        yield "regular", taken(even.kept)
    while left and (named := note_rhythm(*times(), notes)):
        yield named[0], taken(named[1])
    if left and not by_the_clock and (even := regular(*times(), sure="regular" in sure)):
        yield "regular", taken(even.kept)


def _majority(
    hits: Sequence[DetectedHit], notes: Mapping[str, TakeNotes], kinds: list[str], rhythms: list[str]
) -> list[str]:
    """Give hits of other kinds at a group's place and level the majority's kind; ``rhythms`` change with them."""
    groups: dict[tuple[str, str, str], list[int]] = {}
    for i, rhythm in enumerate(rhythms):
        if rhythm.startswith("after-"):  # one place in the take: elsewhere other hits would be near by chance
            groups.setdefault((hits[i].mic, kinds[i], rhythm), []).append(i)
    out = list(kinds)
    for (mic, kind, rhythm), members in sorted(groups.items(), key=lambda item: (-len(item[1]), item[0])):
        own = [i for i in members if out[i] == kind and rhythms[i] == rhythm]  # none went to a larger group before
        if not own:
            continue
        usual_s = np.median([_since_s(hits[i], notes) for i in own])
        levels = [level for i in own if (level := hits[i].level_dbfs) is not None]
        if not levels:
            continue  # a fault in the samples is not taken for anything else
        misread = [
            (away, i)
            for i, hit in enumerate(hits)
            if rhythms[i] in ("any", rhythm)
            and hit.mic == mic
            and out[i] != kind
            and hit.level_dbfs is not None
            and keeps(rhythm, [hit.start_s], [hit.take], notes)[0]
            and abs(hit.level_dbfs - np.median(levels)) <= MISREAD_DB
            and (away := abs(_since_s(hit, notes) - usual_s)) <= MISREAD_S
        ]
        for _, i in sorted(misread)[: len(own) - 1]:
            out[i], rhythms[i] = kind, rhythm
    return out


def _since_s(hit: DetectedHit, notes: Mapping[str, TakeNotes]) -> float:
    """Return how long before its end, or after it, the note before was left when a hit began."""
    ends = notes[hit.take].ends_s[notes[hit.take].starts_s <= hit.start_s]
    return hit.start_s - float(ends[-1]) if len(ends) else hit.start_s
