"""The measurements of a note: one line for each, in the order of their columns.

A measurement is computed by ``triage/listen/measure.py``, or by whoever its line names, and kept in a column of the
note table: a new one needs its function, its line here and a migration. Those with a kind are compared with the
neighbours of a note, and a deviation gives a spot of that kind.
"""

from dataclasses import dataclass

PERFORMANCE_ORDER = ("intonation", "attack", "length", "level", "tone", "steadiness", "release")


@dataclass(frozen=True)
class Measurement:
    """One measurement of a note, and how it is compared with the same of its neighbours.

    ``least_scale`` is the smallest scale on the compared axis: about half a just noticeable difference or the
    measurement's own resolution (references: Moore 1973 for pitch, Jesteadt et al. 1977 for level; else common
    practice, no source).
    """

    name: str
    unit: str
    kind: str | None = None  # of the spots that it gives; None: measured but not compared
    least_scale: float = 0.0
    log: bool = False  # the axis: ratios matter, not differences, as of seconds and hertz
    low: str = ""  # text for a value below its neighbours', {0} the difference; empty where that is no fault
    high: str = ""
    audible: float | None = None  # what a listener notices on the compared axis (common practice, no source)
    of_samples: bool = True  # measured by ``listen/measure.py``: the others need the take sheet or the whole take

    @property
    def label(self) -> str:
        """The name in words, without its unit."""
        for unit in ("_cents", "_dbfs", "_lufs", "_db_oct", "_db_s", "_db", "_hz", "_s"):
            if self.name.endswith(unit):
                return self.name.removesuffix(unit).replace("_", " ")
        return self.name.replace("_", " ")


REGISTRY = (
    Measurement("f0_hz", "Hz"),
    Measurement(
        "cents",
        "cents",
        "intonation",
        2.5,
        low="{0:.0f} cents flat of its neighbours",
        high="{0:.0f} cents sharp of its neighbours",
        audible=10.0,
        of_samples=False,
    ),
    Measurement(
        "cents_drift",
        "cents/s",
        "intonation",
        4.0,
        low="sags {0:.0f} cents/s more than its neighbours",
        high="rises {0:.0f} cents/s more than its neighbours",
        audible=20.0,
    ),
    Measurement(
        "end_cents",
        "cents",
        "intonation",
        4.0,
        low="ends {0:.0f} cents flatter than its neighbours",
        high="ends {0:.0f} cents sharper than its neighbours",
        audible=15.0,
    ),
    Measurement("cents_spread", "cents", "intonation", 1.0, high="pitch unsettled by {0:.0f} cents more"),
    Measurement(
        "attack_jump_cents",
        "cents",
        "attack",
        10.0,
        low="attack breaks {0:.0f} cents low",
        high="attack breaks {0:.0f} cents high",
    ),
    Measurement("attack_unvoiced", "", "attack", 0.05, high="pitch unclear in {0:.0%} more of the attack"),
    Measurement(
        "attack_s",
        "s",
        "attack",
        0.1,
        log=True,
        low="speaks {0:.3f} s faster than its neighbours",
        high="speaks {0:.3f} s later than its neighbours",
    ),
    Measurement(
        "attack_overshoot_db",
        "dB",
        "attack",
        0.7,
        low="attack {0:.1f} dB weaker than its neighbours",
        high="attack bursts {0:.1f} dB more than its neighbours",
    ),
    Measurement(
        "attack_noise_db",
        "dB",
        "attack",
        1.0,
        low="attack {0:.1f} dB cleaner than its neighbours",
        high="{0:.1f} dB more noise in the attack",
    ),
    Measurement(
        "attack_20_db",
        "dB",
        "attack",
        1.5,
        low="speaks late: {0:.0f} dB less after 20 ms",
        high="starts {0:.0f} dB harder after 20 ms",
    ),
    Measurement(
        "attack_50_db",
        "dB",
        "attack",
        1.0,
        low="speaks late: {0:.0f} dB less after 50 ms",
        high="starts {0:.0f} dB harder after 50 ms",
    ),
    Measurement(
        "attack_100_db",
        "dB",
        "attack",
        0.7,
        low="speaks late: {0:.0f} dB less after 100 ms",
        high="starts {0:.0f} dB harder after 100 ms",
    ),
    Measurement(
        "attack_bright_db",
        "dB",
        "attack",
        1.0,
        low="attack duller by {0:.0f} dB",
        high="hissing or cracked attack, {0:.0f} dB more above 2 kHz",
    ),
    Measurement(
        "body_s",
        "s",
        "length",
        0.04,
        log=True,
        low="held {0:.2f} s shorter than its neighbours",
        high="held {0:.2f} s longer than its neighbours",
        audible=0.2,
    ),
    Measurement(
        "length_s",
        "s",
        "length",
        0.04,
        log=True,
        low="{0:.2f} s shorter than its neighbours",
        high="{0:.2f} s longer than its neighbours",
        audible=0.2,
    ),
    Measurement(
        "release_s",
        "s",
        "release",
        0.1,
        log=True,
        low="dies away {0:.2f} s faster than its neighbours",
        high="dies away {0:.2f} s slower than its neighbours",
    ),
    Measurement(
        "release_drop_db",
        "dB",
        "release",
        0.5,
        high="stops dead: falls {0:.0f} dB more within 10 ms than its neighbours",
    ),
    Measurement(
        "tail_s",
        "s",
        "release",
        0.1,
        log=True,
        low="rings {0:.2f} s less than its neighbours",
        high="rings {0:.2f} s more than its neighbours",
    ),
    Measurement(
        "level_dbfs",
        "dBFS",
        "level",
        0.5,
        low="{0:.1f} dB softer than its neighbours",
        high="{0:.1f} dB louder than its neighbours",
        audible=2.0,
    ),
    Measurement(
        "loudness_lufs",
        "LUFS",
        "level",
        0.5,
        low="{0:.1f} LU softer than its neighbours",
        high="{0:.1f} LU louder than its neighbours",
        audible=2.0,
    ),
    Measurement(
        "level_slope_db_s",
        "dB/s",
        "level",
        0.7,
        low="fades {0:.1f} dB/s more than its neighbours",
        high="swells {0:.1f} dB/s more than its neighbours",
        audible=3.0,
    ),
    Measurement("peak_dbfs", "dBFS"),
    Measurement(
        "centroid_hz",
        "Hz",
        "tone",
        0.04,
        log=True,
        low="duller by {0:.0f} Hz than its neighbours",
        high="brighter by {0:.0f} Hz than its neighbours",
        audible=0.15,
    ),
    Measurement("rolloff_hz", "Hz"),
    Measurement(
        "tilt_db_oct",
        "dB/octave",
        "tone",
        0.4,
        low="duller by {0:.1f} dB an octave",
        high="brighter by {0:.1f} dB an octave",
        audible=1.0,
    ),
    Measurement("odd_even_db", "dB"),
    Measurement(
        "harmonicity_db", "dB", "tone", 1.0, low="noisier tone by {0:.1f} dB", high="purer tone by {0:.1f} dB"
    ),
    Measurement(
        "steadiness_db", "dB", "steadiness", 0.3, high="wobbles {0:.1f} dB more than its neighbours", audible=1.0
    ),
    Measurement("tremolo_hz", "Hz"),
    Measurement("vibrato_hz", "Hz"),
    Measurement(
        "vibrato_cents",
        "cents",
        "steadiness",
        3.0,
        high="pitch wavers {0:.0f} cents more than its neighbours",
        audible=10.0,
    ),
    Measurement("noise_floor_dbfs", "dBFS", of_samples=False),
)
# Listings keep the order that programs which read them know; models keep that of the registry.
LISTED_BEFORE = {"length_s": "body_s", "level_slope_db_s": "loudness_lufs"}


def _listed(names: list[str]) -> tuple[str, ...]:
    for first, second in LISTED_BEFORE.items():
        names.remove(first)
        names.insert(names.index(second), first)
    return tuple(names)


MEASUREMENTS = _listed([one.name for one in REGISTRY])
MEASURED = tuple(one.name for one in REGISTRY if one.of_samples)
# What is compared, kind by kind.
COMPARED = {one.name: one for kind in PERFORMANCE_ORDER for one in REGISTRY if one.kind == kind}
