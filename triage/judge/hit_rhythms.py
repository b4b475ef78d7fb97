"""Rhythms: where in a take's pattern noise hits fall, and whether more often than chance would have it.

In: the times of hits and of notes, in seconds. Out: a rhythm's name and the hits that keep to it.
``after-3`` after the third note (``after-0`` before the first) · ``after-last`` · ``note-ends`` as notes end ·
``before-notes`` shortly before notes · ``regular`` at equal intervals, whatever the notes do.
The null hypothesis is a hit at any moment between the notes; hits of one gap count once, for a chair that
creaks twice has not moved twice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

CHANCE = 0.01  # of naming a rhythm where there is none, over all rhythms tried
LEAST_TAKES = 3  # that a place in the pattern must be seen in
LEAST_GAPS = 4  # that hits must keep to the notes in
END_S = (-0.15, 0.35)  # about a note's end
BEFORE_S = 0.6  # before a note's start
PERIOD_S = (0.2, 12.0)
NEAR = 0.03  # of a period: so exactly must a regular hit come
LEAST_NEAR_S = 0.01  # frames are that far apart
PEAK_STEPS = 32  # intervals tried over half the width of a peak
KEPT = 0.75  # share of a take's hits that come regularly


@dataclass(frozen=True)
class TakeNotes:
    """When the notes of a take sound [shape=(note,)] and how long the take is, in seconds."""

    starts_s: np.ndarray
    ends_s: np.ndarray
    duration_s: float


@dataclass(frozen=True)
class Regular:
    """Hits at equal intervals: the interval in seconds and which hits keep to it."""

    period_s: float
    kept: np.ndarray  # bool, one a hit


def slot_of(start_s: float, notes: TakeNotes) -> int:
    """Return how many notes had begun when a hit began."""
    return int((notes.starts_s <= start_s).sum())


def places_of(start_s: float, notes: TakeNotes) -> set[str]:
    """Return the names of all rhythms that a hit at this time would fit."""
    slot, count = slot_of(start_s, notes), len(notes.starts_s)
    found = {f"after-{slot}"}
    if count > 1 and slot == count:
        found.add("after-last")
    away = start_s - notes.ends_s
    if ((away >= END_S[0]) & (away <= END_S[1])).any():
        found.add("note-ends")
    if slot < count and notes.starts_s[slot] - start_s <= BEFORE_S:
        found.add("before-notes")
    return found


def chances(notes: TakeNotes) -> dict[str, float]:
    """Return for each rhythm the share of the time between notes that fits it."""
    count = len(notes.starts_s)
    gaps = np.append(notes.starts_s, notes.duration_s) - np.append(0.0, notes.ends_s)  # before, between, after
    gaps = np.maximum(gaps, 0.0)
    total = gaps.sum()
    shares = gaps / total if total > 0 else np.full(count + 1, 1.0 / (count + 1))
    found = {f"after-{slot}": float(share) for slot, share in enumerate(shares)}
    if count > 1:
        found["after-last"] = float(shares[-1])
    if count and total > 0:
        inside = -END_S[0] * count
        ends = np.minimum(gaps[1:], END_S[1]).sum() + inside
        found["note-ends"] = float(ends / (total + inside))
        found["before-notes"] = float(np.minimum(gaps[:-1], BEFORE_S).sum() / total)
    return found


def tail(chance: np.ndarray, seen: int) -> float:
    """Return the probability that at least ``seen`` of independent events with these chances happen.

    Parameters
    ----------
    chance : ndarray, shape (n,)
        From 0 to 1.
    seen : int

    Returns
    -------
    float
        Exact: the distribution is built event by event (Poisson binomial).
    """
    share = np.ones(1)
    for p in chance:
        share = np.convolve(share, [1.0 - p, p])
    return float(min(1.0, share[seen:].sum()))


def _at_least(seen: int, n: int, chance: float) -> float:
    """Return the binomial probability of ``seen`` or more of ``n``: in logarithms, without scipy's long import."""
    few = np.arange(n + 1)
    ways = np.concatenate(([0.0], np.cumsum(np.log(few[:0:-1]) - np.log(few[1:]))))
    p = min(max(chance, 1e-300), 1 - 1e-15)
    return float(min(1.0, np.exp(ways + few * np.log(p) + (n - few) * np.log1p(-p))[max(seen, 0) :].sum()))


def keeps(rhythm: str, starts_s: Sequence[float], takes: Sequence[str], notes: Mapping[str, TakeNotes]) -> np.ndarray:
    """Return which hits fit a rhythm that has to do with the notes [shape=(hit,)]."""
    return np.array(
        [rhythm in places_of(at_s, notes[take]) for at_s, take in zip(starts_s, takes, strict=True)], bool
    )


def note_rhythm(
    starts_s: Sequence[float], takes: Sequence[str], notes: Mapping[str, TakeNotes]
) -> tuple[str, np.ndarray] | None:
    """Return the rhythm with the notes that these hits keep to most surely, and which of them do.

    Each rhythm's number of gaps with a hit in place is tested against chance (``tail``), times the number of rhythms
    tried (Bonferroni); the least likely one is named if that is below CHANCE.

    Parameters
    ----------
    starts_s, takes : sequence, one entry a hit
        When it begins, and in which take.
    notes : mapping of str to TakeNotes

    Returns
    -------
    tuple of str and ndarray of bool, shape (hit,), or None
        None where the hits fall at irregular times.
    """
    fit = [places_of(at_s, notes[take]) for at_s, take in zip(starts_s, takes, strict=True)]
    gap_of: dict[tuple[str, int], list[int]] = {}
    for i, (at_s, take) in enumerate(zip(starts_s, takes, strict=True)):
        gap_of.setdefault((take, slot_of(at_s, notes[take])), []).append(i)
    share = {take: chances(notes[take]) for take in dict.fromkeys(takes)}
    tried = sorted({rhythm for found in share.values() for rhythm in found})
    best: tuple[float, str] | None = None
    for rhythm in sorted(set().union(*fit)):
        seen = [key for key, own in gap_of.items() if any(rhythm in fit[i] for i in own)]
        placed = rhythm.startswith("after-")
        if len({take for take, _ in seen}) < LEAST_TAKES or (not placed and len(seen) < LEAST_GAPS):
            continue
        chance = [
            1.0 - (1.0 - share[take].get(rhythm, 0.0)) ** (1 if placed else len(own))
            for (take, _), own in gap_of.items()
        ]
        p = tail(np.array(chance), len(seen)) * len(tried)
        if p < CHANCE and (best is None or p < best[0]):
            best = (p, rhythm)
    return None if best is None else (best[1], np.array([best[1] in found for found in fit], bool))


def regular(starts_s: Sequence[float], takes: Sequence[str], sure: bool = False) -> Regular | None:
    """Return the interval at which hits come in every take that has four or more, and which hits keep to it.

    The interval is where the hits' phases agree best, sum_take |sum_hit exp(2 pi i t / T)|; the number within 3 % of
    it is then tested against chance (binomial), times the number of intervals and phases that could have fitted.

    Parameters
    ----------
    starts_s, takes : sequence, one entry a hit
    sure : bool
        True where it is known to be regular: no proof is asked for.

    Returns
    -------
    Regular or None
    """
    at, of = np.asarray(starts_s, dtype=float), np.asarray(takes)
    groups = [np.flatnonzero(of == take) for take in dict.fromkeys(takes)]
    groups = [own for own in groups if len(own) >= LEAST_GAPS]
    span_s = max((np.ptp(at[own]) for own in groups), default=0.0)
    if span_s < 3 * PERIOD_S[0]:
        return None
    lowest_hz, highest_hz = max(1 / PERIOD_S[1], 3 / span_s), 1 / PERIOD_S[0]
    tried_hz = np.arange(lowest_hz, highest_hz, 0.5 / PEAK_STEPS / span_s)
    agreed = sum(np.abs(np.exp(2j * np.pi * tried_hz[:, None] * at[own]).sum(axis=1)) for own in groups)
    # Twice and three times as fast fits as well: take the top of the slowest good peak.
    slowest = int(np.argmax(agreed >= 0.97 * np.max(agreed)))
    peak = slowest + int(np.argmax(agreed[slowest : slowest + PEAK_STEPS]))
    period_s = float(1 / tried_hz[peak])
    kept, free, seen = np.zeros(len(at), bool), 0, 0
    for own in groups:
        kept[own], beats = _in_phase(at[own], period_s)
        free, seen = free + len(own) - 1, seen + beats - 1
    chance = 2 * max(NEAR, LEAST_NEAR_S / period_s)
    tried = span_s * (highest_hz - lowest_hz) * max(map(len, groups))
    p = _at_least(seen, free, chance) * tried
    if seen < KEPT * free or (p >= CHANCE and not sure):
        return None
    return Regular(period_s, kept)


def _in_phase(at_s: np.ndarray, period_s: float) -> tuple[np.ndarray, int]:
    """Return which hits come at whole periods from the hit that most others agree with, and on how many beats."""
    away = (at_s[:, None] - at_s[None, :]) / period_s
    near = np.abs(away - np.round(away)) * period_s <= max(NEAR * period_s, LEAST_NEAR_S)
    best = int(near.sum(axis=1).argmax())
    # Hits in quick succession share a beat and prove it only once.
    return near[best], len(np.unique(np.round(away[best])[near[best]]))
