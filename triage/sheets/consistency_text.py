"""The sentences of a consistency report: shares, ladders and drift, in terms that the reader can act on.

Numbers on the compared axis (logarithms for length, brightness and attack) go in with the typical value; text comes
out.
"""

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from triage.domain.measurements import COMPARED
from triage.domain.pitch import pitch_name
from triage.judge.curves import QUANTITIES
from triage.judge.drift import Drift
from triage.judge.dynamics import FALLS, RISES, Rung
from triage.judge.factors import PITCH, REGISTER, REST
from triage.judge.variance import Share, Spread
from triage.sheets.consistency_values import Dot, DriftSheet, ShareSheet

PLURAL = {"length": "lengths", "level": "levels", "attack": "attack times"}  # the others have none
LEAST_SHARE = 0.2  # of the spread: a smaller part is not worth acting on
LEAST_LOW = 0.02  # of its interval: a cause that may as well be none is not named
MOST_NAMED = 8  # pitches in a sentence
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
DRIFTS = {
    "length": ("grew longer", "grew shorter"),
    "brightness": ("grew brighter", "grew duller"),
    "attack": ("came later", "came earlier"),
}
CAUSES = {
    REST: "from note to note, without a pattern",
    PITCH: "single pitches",
    REGISTER: "register",
    "take": "from take to take",
}
NAMES = {"doubt": "fault rate"}
SUBJECT = {"brightness": "the tone", "length": "the notes", "doubt": "the fault rate (mean doubt of the notes)"}


def change_in_unit(quantity: str, effect: float, typical: float, span: tuple[float, float]) -> float:
    """Return a step on the compared axis as a difference from the typical value, in the quantity's unit.

    ``span`` is that of the notes at hand, on the compared axis: no difference is given that no two of them have.
    """
    low, high = span
    if not np.isfinite(high - low):
        return float("nan")
    effect = float(np.clip(effect, low - high, high - low))
    if not COMPARED[QUANTITIES[quantity].measurement].log:
        return effect
    most = float(np.exp(high) - np.exp(low))
    return float(np.clip(typical * np.expm1(effect), -most, most))


def amount(quantity: str, change: float) -> str:
    """Return a difference without its sign, rounded for reading."""
    size, unit = abs(change), QUANTITIES[quantity].unit if quantity in QUANTITIES else ""
    if unit == "s":
        return f"{1000 * size:.0f} ms" if size < 1 else f"{size:.1f} s"
    if quantity == "doubt":
        return f"{100 * size:.0f} points"
    return f"{size:.1f} dB" if unit == "dB" else f"{size:.{0 if size >= 9.5 else 1}f} {unit}"


def cell_text(*words: str) -> str:
    """Return instrument, articulation and so on in a row, those that are known."""
    return " ".join(word for word in words if word) or "unnamed"


def queue_text(dot: Dot) -> str:
    """Return what the queue holds of a note: people's verdict, else its doubt."""
    said = {"accept": "accepted", "unsure": "left unsure"}.get(dot.verdict or "", dot.verdict)
    return said or ("no doubt yet" if dot.doubt is None else f"doubt {100 * dot.doubt:.0f} %")


def spread_sentence(instrument: str, articulation: str, quantity: str, spread: Spread, typical: float) -> str:
    """Return where most of a spread comes from, and what to do about it."""
    what = f"{cell_text(instrument, articulation)} {PLURAL.get(quantity, quantity)}"
    if spread.why_not:
        return f"The spread of the {what} cannot be determined: {spread.why_not}."
    one_sigma = amount(quantity, change_in_unit(quantity, spread.sigma, typical, spread.span))
    if spread.sigma < COMPARED[QUANTITIES[quantity].measurement].least_scale:
        return f"There is nothing inconsistent in the {what}: one sigma is {one_sigma}, too little to notice."
    # What has no pattern comes last: it cannot be acted on.
    known = sorted((s for s in spread.shares if not s.why_not), key=lambda s: (s.factor == REST, -s.share))
    first, *more = [s for s in known if s.share >= LEAST_SHARE and (s.factor == REST or s.low >= LEAST_LOW)] or known[
        -1:
    ]
    text = f"{_percent(first)} of the spread of the {what} (one sigma {one_sigma}) is "
    text += f"{_factor_text(first)}{effect_text(quantity, first, typical, spread.span)}"
    for share in more:
        text += f"; {_percent(share)} is {_factor_text(share)}{effect_text(quantity, share, typical, spread.span)}"
    return f"{text}."


def _percent(share: Share) -> str:
    return f"{100 * share.share:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f})"


def _factor_text(share: Share) -> str:
    return CAUSES.get(share.factor, f"the {share.factor}")


def effect_text(quantity: str, share: Share, typical: float, span: tuple[float, float]) -> str:
    """Return behind a colon what the levels of a factor that lie furthest off do; nothing for the rest."""
    if share.factor == REST:
        return ""
    if share.factor == REGISTER:
        return f": {_register_text(quantity, share, typical, span)}"
    ranked = sorted(share.effects, key=lambda one: -abs(one[1]))
    if len(ranked) == 2:
        (more, high), (less, low) = sorted(share.effects, key=lambda one: -one[1])
        gap = change_in_unit(quantity, high - low, typical, span)
        first, second = _level_text(share.factor, more), _level_text(share.factor, less)
        return f": {first} {_off(quantity, gap)} against {second}"
    named = [
        f"{_level_text(share.factor, level)} {_off(quantity, change_in_unit(quantity, e, typical, span))}"
        for level, e in ranked[:2]
    ]
    return f": {', '.join(named)}"


def _register_text(quantity: str, share: Share, typical: float, span: tuple[float, float]) -> str:
    which, _, mean = register_third(share)
    return f"{which} notes {_off(quantity, change_in_unit(quantity, mean, typical, span), several=True)}"


def register_third(share: Share) -> tuple[str, list[float], float]:
    """Return which third of the range lies furthest off (low, middle, high), its pitches, and how far on average."""
    ordered = sorted((float(level), value) for level, value in share.effects)
    thirds = zip(("low", "middle", "high"), np.array_split(np.array(ordered), 3), strict=True)
    means = [(name, part[:, 0].tolist(), float(part[:, 1].mean())) for name, part in thirds]
    return max(means, key=lambda one: abs(one[2]))


def _off(quantity: str, change: float, several: bool = False) -> str:
    verb = "speak" if quantity == "attack" else "run"
    word = QUANTITIES[quantity].more if change > 0 else QUANTITIES[quantity].less
    return f"{verb}{'' if several else 's'} {amount(quantity, change)} {word}"


def _level_text(factor: str, level: str) -> str:
    if factor == PITCH:
        tone, _, dynamic = level.partition(" ")
        return cell_text(pitch_name(round(float(tone))), dynamic)
    if factor == "repetition":
        place = int(level)
        return f"the {ORDINALS[place - 1] if place <= len(ORDINALS) else f'{place}th'} of a row"
    return level.replace("\x1f", " ") or f"no {factor} named"


def ladder_sentence(rungs: Sequence[Rung]) -> str:
    """Return how one dynamic follows another over the keyboard."""
    first, count = rungs[0], len(rungs)
    louder, brighter = (sum(getattr(r, name) == RISES for r in rungs) for name in ("level", "brightness"))
    pitches = f"{count} pitch{'' if count == 1 else 'es'}"
    text = f"{cell_text(first.instrument, first.articulation)}, {first.softer} to {first.louder}: "
    text += f"louder at {louder} of {pitches}, brighter at {brighter}"
    touch = [r for r in rungs if r.level != RISES and r.level != FALLS]
    falls = [r for r in rungs if r.level == FALLS]
    dull = [r for r in rungs if r.level == RISES and r.brightness == FALLS]
    for what, where in (("they touch at", touch), ("it is softer at", falls), ("louder but duller at", dull)):
        if where:
            text += f"; {what} {_pitches(where)}"
    return text + "."


def _pitches(rungs: Sequence[Rung]) -> str:
    names = [pitch_name(round(r.pitch)) for r in rungs[:MOST_NAMED]]
    more = len(rungs) - len(names)
    return " ".join(names) + (f" and {more} more" if more else "")


def drift_sentence(who: str, quantity: str, found: Drift, clock: bool, names: tuple[str, str], stands: bool) -> str:
    """Return what changed over a day, or that nothing did; ``names`` are the first and the last take."""
    start, end = (clock_text(h) for h in (found.first_h, found.last_h)) if clock else names
    what = f"{who}: {SUBJECT.get(quantity, f'the {quantity}')}"
    if found.trend is None:
        return f"{what} over the day cannot be determined: {found.why_not}."
    p = f"p = {found.trend.p:.2g}"
    if not stands:
        return f"{what} shows no trend from {start} to {end} ({p}, {len(found.takes)} takes)."
    up, down = DRIFTS.get(quantity, ("rose", "fell"))
    how = f"{up if found.trend.slope > 0 else down} by {amount(quantity, found.change)}"
    text = f"{what} {how} from {start} to {end} ({p})"
    return text + ("." if found.adjusted else "; what was played changed along with the clock and may be behind it.")


def why_not_text(shares: Sequence[ShareSheet]) -> str:
    """Return why some factors' shares cannot be determined, those with one level together."""
    untold = [s for s in shares if s.why_not]
    single = [s.factor for s in untold if s.why_not == f"only one {s.factor}"]
    others = [f"{s.factor}: {s.why_not}" for s in untold if s.factor not in single]
    return "; ".join([*([f"only one {_and(single)}"] if single else []), *others])


def drift_lines(drifts: Sequence[DriftSheet]) -> list[str]:
    """Return the sentences of all drifts: trends that stand one by one, the rest of an instrument's day together."""
    lines = [one.sentence for one in drifts if one.found]
    for (instrument, day), group in groupby(drifts, lambda one: (one.instrument, one.day)):
        rest = [one for one in group if not one.found]
        who = f"{cell_text(instrument)} on {day}"
        level = [f"{NAMES.get(one.quantity, one.quantity)} (p = {one.p:.2g})" for one in rest if one.p is not None]
        lines += [f"{who}: no trend stands in {_and(level)}."] if level else []
        whys: dict[str, list[str]] = {}
        for one in rest:
            if one.p is None:
                whys.setdefault(one.why_not, []).append(NAMES.get(one.quantity, one.quantity))
        lines += [f"{who}: drift of {_and(names)} cannot be determined: {why}." for why, names in whys.items()]
    return lines


def _and(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def clock_text(hour: float) -> str:
    """Return an hour of the day as a clock shows it; past midnight it begins anew."""
    minutes = round(60 * hour)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"
