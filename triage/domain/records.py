"""Records: what goes into the store, as plain frozen values (what comes out is in ``stored.py``).

A take goes in as one TakeRecord with its tracks, notes, hits and floors; what the judge says of a session as
one Judgement. Times are in seconds from the start of the take, notes count from 1, channels from 0.
A number that cannot be told is NaN or None on the way in and None on the way out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

import numpy as np

# Every measurement of a note is a column of the note table; the unit ends the name.
MEASUREMENTS = (
    "f0_hz",
    "cents",
    "cents_drift",
    "cents_spread",
    "attack_jump_cents",
    "attack_unvoiced",
    "attack_s",
    "attack_overshoot_db",
    "attack_noise_db",
    "attack_20_db",
    "attack_50_db",
    "attack_100_db",
    "attack_bright_db",
    "length_s",
    "body_s",
    "release_s",
    "tail_s",
    "level_dbfs",
    "level_slope_db_s",
    "loudness_lufs",
    "peak_dbfs",
    "centroid_hz",
    "rolloff_hz",
    "tilt_db_oct",
    "odd_even_db",
    "harmonicity_db",
    "steadiness_db",
    "tremolo_hz",
    "vibrato_hz",
    "vibrato_cents",
    "noise_floor_dbfs",
)

VERDICTS = ("accept", "reject", "unsure")
SHOWN = ("teach", "lot", "again")  # why a take came though others are more doubtful
CLOCKS = ("bext", "iXML", "file time")  # a file's time is only that of its last change, less the take's length
ARRIVAL_KINDS = ("missing", "unexpected", "broken", "unlike")


@dataclass(frozen=True)
class SessionRecord:
    """One session as it is taken in; the name is what people call it and is unique in a store."""

    name: str
    folder: str
    date: date
    sample_rate_hz: int | None
    a4_hz: float
    judge_mic: str | None
    # Microphone -> level in dB SPL of a tone whose peaks just reach full scale, where the engineer measured it.
    full_scale_db_spl: Mapping[str, float] | None = field(default=None, kw_only=True)


@dataclass(frozen=True)
class TrackRecord:
    """One microphone of a take: the file (path relative to the session's folder) and the channel in it."""

    mic: str
    path: str
    channel: int
    sample_rate_hz: int | None = None
    bit_depth: int | None = None
    frames: int | None = None
    size_bytes: int | None = None
    mtime_ns: int | None = None
    problem: str | None = None


@dataclass(frozen=True)
class NoteRecord:
    """One played note: when it sounds, the pitch meant and heard, measurements and embeddings by name.

    ``measurements`` may lack names of MEASUREMENTS (they are stored as unknown) but may not hold others;
    ``embeddings`` is encoder name -> vector, shape (dimension,); float16 is kept, all else becomes float32.
    """

    number: int
    start_s: float
    end_s: float
    ring_end_s: float | None = None
    pitch_midi: int | None = None
    sheet_midi: int | None = None
    measurements: Mapping[str, float | None] = field(default_factory=dict)
    embeddings: Mapping[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True)
class HitRecord:
    """One noise hit: ``mic`` is nearest to it, ``mics`` hear it, the loudest first; exposed 0 masked to 1 audible."""

    kind: str
    start_s: float
    end_s: float
    mic: str
    mics: tuple[str, ...]
    level_dbfs: float | None
    over_floor_db: float | None
    exposed: float | None
    note: int | None = None
    group: str | None = None  # microphone:kind:rhythm, once the session was ranked
    harmless: bool = False  # somebody heard its group and said so


@dataclass(frozen=True)
class MarkRecord:
    """What a person said of a group of hits: harmless, or no longer; never changed, only followed by another."""

    group: str
    harmless: bool
    session: str
    by: str
    at: datetime
    loudest_dbfs: float | None = None  # of what was heard then


@dataclass(frozen=True)
class FloorRecord:
    """One microphone during one take: its steady background, and how it follows the judging microphone."""

    mic: str
    level_dbfs: float | None
    lag_s: float | None = None
    polarity: int | None = None  # -1 where it follows upside down
    clear: float | None = None  # how clearly lag and polarity show, 1 = not at all
    note_dbfs: float | None = None  # its usual level while a note sounds
    a_dbfs: float | None = None  # the background A-weighted
    octaves_dbfs: tuple[float | None, ...] | None = None  # 31.5 Hz to 16 kHz


@dataclass(frozen=True)
class PreviewRecord:
    """What is drawn of one track: packed bytes as ``listen/preview.py`` makes them, and what a column stands for."""

    mic: str
    wave: bytes
    wave_hop_s: float
    picture: bytes
    picture_hop_s: float
    low_hz: float
    high_hz: float
    courses: bytes | None = None


@dataclass(frozen=True)
class TakeRecord:
    """One take with all that was read and measured; ``fingerprint`` changes when a file of it changes."""

    name: str
    fingerprint: str
    instrument: str | None = None
    articulation: str | None = None
    dynamic: str | None = None
    remark: str | None = None
    expected_pitches: tuple[int, ...] = ()  # MIDI, as on the take sheet, before repetitions
    repetitions: int | None = None
    duration_s: float | None = None
    problem: str | None = None
    listened: bool = True
    tracks: tuple[TrackRecord, ...] = ()
    notes: tuple[NoteRecord, ...] = ()
    hits: tuple[HitRecord, ...] = ()
    floors: tuple[FloorRecord, ...] = ()
    heard_on: str | None = None  # the microphone that its notes were cut and measured on
    setup: str | None = None
    recorded_at: datetime | None = None  # start of the take on the clock of the hall, without a time zone
    recorded_from: str | None = None  # who says so: one of CLOCKS
    sound: str | None = None  # digest of all its samples: unlike the fingerprint it survives a copy
    previews: tuple[PreviewRecord, ...] = ()


@dataclass(frozen=True)
class SpotRecord:
    """A stretch of a take worth hearing: its kind, its own doubt, and why in words and in numbers."""

    take: str
    start_s: float
    end_s: float
    note: int | None
    kind: str
    doubt: float
    why: str
    mic: str | None = None
    found: float | None = None
    expected: float | None = None
    unit: str | None = None


@dataclass(frozen=True)
class NoteJudgement:
    """What the judge says of one note."""

    take: str
    number: int
    doubt: float | None
    reject_probability: float | None
    outlier: float | None


@dataclass(frozen=True)
class TakeJudgement:
    """What the judge says of one take; equal ranks are put in order of take name.

    ``teach`` counts from 1 the takes that would teach the model most; None for the others.
    """

    take: str
    doubt: float | None
    listen_s: float | None
    rank: int | None
    teach: int | None = None


@dataclass(frozen=True)
class EvidenceRecord:
    """What a session's notes were judged by, packed, so that another model weighs it without measuring again."""

    form: str
    data: bytes


@dataclass(frozen=True)
class Judgement:
    """What the judge says of one session; ``model`` is the name and version of what judged."""

    model: str
    takes: tuple[TakeJudgement, ...] = ()
    notes: tuple[NoteJudgement, ...] = ()
    spots: tuple[SpotRecord, ...] = ()
    evidence: EvidenceRecord | None = None


@dataclass(frozen=True)
class VerdictRecord:
    """What a person said of a take, or of one note of it; never changed, only followed by another."""

    take: str
    verdict: str
    by: str
    at: datetime
    note: int | None = None
    reason: str | None = None
    comment: str | None = None
    blind: bool = False  # the same take came back unannounced, to see whether he says the same again
    shown: str | None = None  # why the desk showed the take: None for its doubt, else one of SHOWN


@dataclass(frozen=True)
class SheetRowRecord:
    """One row of the take sheet, whether the take was recorded or not; pitches are MIDI, as on the sheet."""

    take: str
    instrument: str = ""
    articulation: str = ""
    dynamic: str = ""
    pitches: tuple[int, ...] = ()
    repetitions: int = 1
    remark: str = ""
    setup: str = ""


@dataclass(frozen=True)
class ChoiceRecord:
    """What a person chose: keep this note for its cell (``repetition`` of it, from 1), or leave it free again."""

    take: str
    note: int
    kept: bool
    by: str
    at: datetime
    repetition: int | None = None
    pitch_midi: int | None = None


@dataclass(frozen=True)
class ArrivalRecord:
    """One file or track that did not arrive as it should; which fields are set depends on ``kind``.

    missing: take, mic · unexpected: path · broken: path, why · unlike: path, what, found, expected
    """

    kind: str
    path: str | None = None
    take: str | None = None
    mic: str | None = None
    what: str | None = None
    found: str | int | float | None = None
    expected: str | int | float | None = None
    why: str | None = None


@dataclass(frozen=True)
class ArrivalsRecord:
    """The roll call of a session: what is amiss, how much is complete, and lines for a person to read."""

    entries: tuple[ArrivalRecord, ...]
    complete: int
    problems: tuple[str, ...] = ()
