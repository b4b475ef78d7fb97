"""A take: its tracks, notes, hits and noise floors."""

from dataclasses import dataclass
from datetime import datetime

from triage.domain.hit import Hit
from triage.domain.note import Note
from triage.domain.preview import Preview

CLOCKS = ("bext", "iXML", "file time")  # a file's time is only that of its last change, less the take's length


@dataclass(frozen=True)
class Track:
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
    audio_digest: str | None = None  # digest of its samples; None where it was not read or is digital silence


@dataclass(frozen=True)
class NoiseFloor:
    """One microphone during one take: its steady background, and how it follows the reference microphone."""

    mic: str
    level_dbfs: float | None
    lag_s: float | None = None
    polarity: int | None = None  # -1 where it is inverted
    clear: float | None = None  # how clearly lag and polarity show, 1 = not at all
    note_dbfs: float | None = None  # its usual level while a note sounds
    a_dbfs: float | None = None  # the background A-weighted
    octaves_dbfs: tuple[float | None, ...] | None = None  # 31.5 Hz to 16 kHz
    end_over_db: float | None = None  # the last 50 ms over the background, in the bands that stand out most
    end_fall_db_s: float | None = None  # how fast those bands fell before
    take: str = ""  # where floors of several takes are listed


@dataclass(frozen=True)
class Take:
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
    analysed: bool = True
    tracks: tuple[Track, ...] = ()
    notes: tuple[Note, ...] = ()
    hits: tuple[Hit, ...] = ()
    floors: tuple[NoiseFloor, ...] = ()
    measured_mic: str | None = None  # the microphone that its notes were cut and measured on
    setup: str | None = None
    recorded_at: datetime | None = None  # start of the take on the recorder's clock, without a time zone
    recorded_from: str | None = None  # the source of that time: one of CLOCKS
    audio_digest: str | None = None  # digest of all its samples: unlike the fingerprint it survives a copy
    previews: tuple[Preview, ...] = ()
    without_natural_sounds: bool = False  # the sheet wants none: each audible one is a finding
