"""The just noticeable difference (JND) of each attribute: the unit in which a planted fault is measured.

A size of 2 on `sharp` is two JND, 10 cents. Kinds without an entry (a wrong note, a dropout) are present or absent.
"""

from dataclasses import dataclass

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Jnd:
    """One step of an attribute that a trained listener just notices."""

    step: float
    unit: str
    source: str


JNDS = {
    "sharp": Jnd(5.0, "cents", "Moore, JASA 54, 1973: about 0.3 % (5 cents) for complex tones"),
    "flat": Jnd(5.0, "cents", "Moore, JASA 54, 1973: about 0.3 % (5 cents) for complex tones"),
    "late sag": Jnd(10.0, "cents at the end", COMMON_PRACTICE),
    "wobble": Jnd(8.0, "cents peak, 2.5 Hz", COMMON_PRACTICE),
    "vibrato": Jnd(10.0, "cents peak, 5.5 Hz", COMMON_PRACTICE),
    "slow attack": Jnd(0.03, "s of rise time", COMMON_PRACTICE),
    "split attack": Jnd(3.0, "dB of the false start above -24 dB", COMMON_PRACTICE),
    "cracked attack": Jnd(3.0, "dB of the wrong partial above -18 dB", COMMON_PRACTICE),
    "breathy start": Jnd(3.0, "dB of breath above -33 dB", COMMON_PRACTICE),
    "too long": Jnd(0.1, "share of the length", "Abel, Psychonomic Science 27, 1972: about 10 % of a duration"),
    "too short": Jnd(0.1, "share of the length", "Abel, Psychonomic Science 27, 1972: about 10 % of a duration"),
    "too loud": Jnd(1.0, "dB", "Jesteadt, Wier and Green, JASA 61, 1977: about 1 dB"),
    "too soft": Jnd(1.0, "dB", "Jesteadt, Wier and Green, JASA 61, 1977: about 1 dB"),
    "swell": Jnd(1.5, "dB from start to end", COMMON_PRACTICE),
    "fade": Jnd(1.5, "dB from start to end", COMMON_PRACTICE),
    "dull": Jnd(1.5, "dB above three times the pitch", COMMON_PRACTICE),
    "bright": Jnd(1.5, "dB above three times the pitch", COMMON_PRACTICE),
    "cut-off tail": Jnd(0.1, "s missing of 0.9 s after the last note", COMMON_PRACTICE),
    "creak": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "knock": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "breath": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "voice": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "page": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "footstep": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "click": Jnd(3.0, "dB above 6 dB over the floor", COMMON_PRACTICE),
    "hum": Jnd(3.0, "dB above 0 dB over the floor", COMMON_PRACTICE),
    "rumble": Jnd(3.0, "dB above 0 dB over the floor", COMMON_PRACTICE),
    "hiss": Jnd(3.0, "dB above 0 dB over the floor", COMMON_PRACTICE),
}
SIZES = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 8.0)
# A producer rejects what is clearly beyond a JND; what is smaller is planted too, and reported by size.
REJECTED_FROM = 1.5


def amount(kind: str, size: float) -> float:
    """Return a size in JND as an amount in the unit of its kind."""
    return size * JNDS[kind].step


def is_reject(kind: str, size: float | None) -> bool:
    """Return whether a producer rejects a take for a fault; one without a size is always a reject."""
    return size is None or size >= REJECTED_FROM
