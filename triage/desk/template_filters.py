"""Wording: how the pages write numbers, lengths of time and kinds; filters of their templates."""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from triage.domain.kinds import family, label
from triage.domain.pitch import pitch_name
from triage.domain.spot import in_short

LEARNT = re.compile(r"(taste|verdicts)-(\d{8}-\d{6})-[0-9a-f]{6}")  # what a retraining calls its versions
OF_VERDICTS = {"taste": "tolerances", "verdicts": "model"}
DIGEST = re.compile(r"-[0-9a-f]{8}$")
# What the pages call measurements where the name itself is no word of the trade.
MEASURED = {
    "cents": "tuning",
    "cents_drift": "sagging or rising",
    "end_cents": "tuning at the end",
    "cents_spread": "unsettled pitch",
    "attack_jump_cents": "break in the attack",
    "attack_unvoiced": "unclear attack",
    "attack_overshoot_db": "burst of the attack",
    "attack_noise_db": "noise in the attack",
    "attack_20_db": "level after 20 ms",
    "attack_50_db": "level after 50 ms",
    "attack_100_db": "level after 100 ms",
    "attack_bright_db": "hiss in the attack",
    "body_s": "held for",
    "release_s": "dying away",
    "release_drop_db": "sudden end",
    "tail_s": "ringing",
    "level_slope_db_s": "swelling or fading",
    "centroid_hz": "brightness",
    "tilt_db_oct": "slope of the partials",
    "harmonicity_db": "purity of tone",
    "steadiness_db": "wobble",
    "vibrato_cents": "vibrato",
}
SHORTEST_S = 0.05  # what would be written 0.0 s
NOTHING, MINUS = "\u2013", "\u2212"  # a dash where there is no value; a true minus sign


def span(seconds: float | None) -> str:
    """Return a duration in words: 4.2 s, 48 s, 3 min, 1 h 20 min; a dash for none at all."""
    if seconds is None or seconds < SHORTEST_S:
        return NOTHING
    if seconds < 90:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def percent(share: float | None) -> str:
    """Return a probability in hundredths; never 0 or 100, since nothing here is certain."""
    if share is None:
        return NOTHING
    return ">99 %" if share > 0.99 else "<1 %" if share < 0.01 else f"{100 * share:.0f} %"


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """Return a number with its unit and a true minus sign."""
    return NOTHING if value is None else f"{value:.{digits}f} {unit}".strip().replace("-", MINUS)


def short(spot: Any) -> str:
    """Return the first part of ``in_short`` of a spot."""
    return in_short(spot.kind, spot.why)[0]


def place(seconds: float) -> str:
    """Return a place in a take: 0:12.31."""
    hundredths = round(100 * seconds)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100:05.2f}"


def version(name: str) -> str:
    """Return the name of a model or encoder in words: what it is and when it was made, without its digest."""
    if made := LEARNT.fullmatch(name):
        kind, at = made[1], datetime.strptime(made[2], "%Y%m%d-%H%M%S")
        return f"{OF_VERDICTS[kind]} of {at:%d %B %Y, %H:%M}"
    return DIGEST.sub("", name)


def shown(value: Any) -> str:
    """Return anything as a cell of a table."""
    if value is None or value == "":
        return NOTHING
    return f"{value:g}" if isinstance(value, float) else str(value)


def sharp(text: str) -> str:
    """Return pitch names with a true sharp sign."""
    return text.replace("#", "♯")


def pitches(midi: Sequence[int]) -> str:
    """Return the pitches of a take in a few words: C3, C♯3, or C3 to G3 where there are more than three."""
    names = [sharp(pitch_name(one)) for one in sorted(set(midi))]
    return ", ".join(names) if len(names) <= 3 else f"{names[0]} to {names[-1]}"


FILTERS = {
    "short": short,
    "pitches": pitches,
    "family": family,
    "label": label,
    "span": span,
    "percent": percent,
    "number": number,
    "place": place,
    "shown": shown,
    "sharp": sharp,
    "version": version,
}
