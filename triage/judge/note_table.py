"""The table of notes that a session is judged from, one row a note, and what is compared in it.

Measurements come in with their units; ``COMPARED`` says on which scale each is held against its neighbours, how
small a difference can mean nothing, and which kind of spot it speaks for.
"""

from dataclasses import dataclass, field

import numpy as np

from triage.domain.errors import JudgeError


@dataclass(frozen=True)
class Compared:
    """How one measurement is compared.

    ``floor`` is the smallest scale on the compared axis: about half a just noticeable difference or the
    measurement's own resolution (references: Moore 1973 for pitch, Jesteadt et al. 1977 for level; else common
    practice, no source).
    """

    kind: str
    floor: float
    log: bool = False  # ratios matter, not differences: seconds, hertz
    unit: str = ""
    low: str = ""  # words for below its neighbours, {0} the difference; empty where that is no fault
    high: str = ""


COMPARED: dict[str, Compared] = {
    "cents": Compared(
        "intonation",
        2.5,
        unit="cents",
        low="{0:.0f} cents flat of its neighbours",
        high="{0:.0f} cents sharp of its neighbours",
    ),
    "cents_drift": Compared(
        "intonation",
        4.0,
        unit="cents/s",
        low="sags {0:.0f} cents/s more than its neighbours",
        high="rises {0:.0f} cents/s more than its neighbours",
    ),
    "cents_spread": Compared("intonation", 1.0, unit="cents", low="", high="pitch unsettled by {0:.0f} cents more"),
    "attack_jump_cents": Compared(
        "attack", 10.0, unit="cents", low="attack breaks {0:.0f} cents low", high="attack breaks {0:.0f} cents high"
    ),
    "attack_unvoiced": Compared("attack", 0.05, unit="", low="", high="no pitch in {0:.0%} more of the attack"),
    "attack_s": Compared(
        "attack",
        0.10,
        log=True,
        unit="s",
        low="speaks {0:.3f} s faster than its neighbours",
        high="speaks {0:.3f} s later than its neighbours",
    ),
    "attack_overshoot_db": Compared(
        "attack",
        0.7,
        unit="dB",
        low="attack {0:.1f} dB weaker than its neighbours",
        high="attack bursts {0:.1f} dB more than its neighbours",
    ),
    "attack_noise_db": Compared(
        "attack",
        1.0,
        unit="dB",
        low="attack {0:.1f} dB cleaner than its neighbours",
        high="cracked or noisy attack, {0:.1f} dB more that is not the note",
    ),
    "attack_20_db": Compared(
        "attack",
        1.5,
        unit="dB",
        low="speaks late: {0:.0f} dB less after 20 ms",
        high="starts {0:.0f} dB harder after 20 ms",
    ),
    "attack_50_db": Compared(
        "attack",
        1.0,
        unit="dB",
        low="speaks late: {0:.0f} dB less after 50 ms",
        high="starts {0:.0f} dB harder after 50 ms",
    ),
    "attack_100_db": Compared(
        "attack",
        0.7,
        unit="dB",
        low="speaks late: {0:.0f} dB less after 100 ms",
        high="starts {0:.0f} dB harder after 100 ms",
    ),
    "attack_bright_db": Compared(
        "attack",
        1.0,
        unit="dB",
        low="attack duller by {0:.0f} dB",
        high="hissing or cracked attack, {0:.0f} dB more above 2 kHz",
    ),
    "body_s": Compared(
        "length",
        0.04,
        log=True,
        unit="s",
        low="held {0:.2f} s shorter than its neighbours",
        high="held {0:.2f} s longer than its neighbours",
    ),
    "length_s": Compared(
        "length",
        0.04,
        log=True,
        unit="s",
        low="{0:.2f} s shorter than its neighbours",
        high="{0:.2f} s longer than its neighbours",
    ),
    "level_dbfs": Compared(
        "level",
        0.5,
        unit="dBFS",
        low="{0:.1f} dB softer than its neighbours",
        high="{0:.1f} dB louder than its neighbours",
    ),
    "loudness_lufs": Compared(
        "level",
        0.5,
        unit="LUFS",
        low="{0:.1f} LU softer than its neighbours",
        high="{0:.1f} LU louder than its neighbours",
    ),
    "level_slope_db_s": Compared(
        "level",
        0.7,
        unit="dB/s",
        low="fades {0:.1f} dB/s more than its neighbours",
        high="swells {0:.1f} dB/s more than its neighbours",
    ),
    "centroid_hz": Compared(
        "tone",
        0.04,
        log=True,
        unit="Hz",
        low="duller by {0:.0f} Hz than its neighbours",
        high="brighter by {0:.0f} Hz than its neighbours",
    ),
    "tilt_db_oct": Compared(
        "tone", 0.4, unit="dB/octave", low="duller by {0:.1f} dB an octave", high="brighter by {0:.1f} dB an octave"
    ),
    "harmonicity_db": Compared(
        "tone", 1.0, unit="dB", low="noisier tone by {0:.1f} dB", high="purer tone by {0:.1f} dB"
    ),
    "steadiness_db": Compared(
        "steadiness", 0.3, unit="dB", low="", high="wobbles {0:.1f} dB more than its neighbours"
    ),
    "vibrato_cents": Compared(
        "steadiness", 3.0, unit="cents", low="", high="pitch wavers {0:.0f} cents more than its neighbours"
    ),
    "release_s": Compared(
        "release",
        0.10,
        log=True,
        unit="s",
        low="dies away {0:.2f} s faster than its neighbours",
        high="dies away {0:.2f} s slower than its neighbours",
    ),
    "tail_s": Compared(
        "release",
        0.10,
        log=True,
        unit="s",
        low="rings {0:.2f} s less than its neighbours",
        high="rings {0:.2f} s more than its neighbours",
    ),
}


@dataclass(frozen=True)
class NoteTable:
    """Columns of equal length, one row a note; strings are empty and numbers NaN where nothing is known."""

    take: np.ndarray
    number: np.ndarray
    instrument: np.ndarray
    articulation: np.ndarray
    dynamic: np.ndarray
    mic: np.ndarray  # that the note was measured on
    pitch: np.ndarray  # MIDI, the sheet's or the nearest
    start_s: np.ndarray
    end_s: np.ndarray
    ring_end_s: np.ndarray
    values: dict[str, np.ndarray]
    embedding: np.ndarray  # (note, dimension)
    # What the encoder heard, by kind: its evidence over time at the peak and over the note (log-odds), and where that
    # peak lies (s from the take's start).
    heard: dict[str, np.ndarray] = field(default_factory=dict)
    heard_mean: dict[str, np.ndarray] = field(default_factory=dict)
    heard_s: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        columns = {name: value for name, value in vars(self).items() if not isinstance(value, dict)}
        for group in (self.values, self.heard, self.heard_mean, self.heard_s):
            columns |= group
        for name, column in columns.items():
            if len(column) != len(self.take):
                rows = f"{len(column)} rows, take has {len(self.take)}"
                raise JudgeError(f"column {name} has {rows}: pass one row a note")

    def __len__(self) -> int:
        return len(self.take)

    def cohort(self, *columns: str) -> np.ndarray:
        """Return one label a note of the named columns [shape=(note,)]."""
        joined = np.array(["\x1f".join(parts) for parts in zip(*(getattr(self, c) for c in columns), strict=True)])
        return joined if len(joined) else np.zeros(0, dtype="U1")
