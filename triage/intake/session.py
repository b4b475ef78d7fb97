"""The session description: session.toml as a checked, frozen object.

What holds for all takes: name, date, sample rate in Hz, tuning reference in Hz, where the files are, how they are
named, which microphones recorded them. A mistake is one ConfigError that names the file, the key and the remedy; an
unknown key is a mistake, never ignored.
"""

import datetime
import unicodedata
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal

from pydantic import AfterValidator, AliasChoices, Field, model_validator

from triage.config import Strict, read_toml
from triage.domain.errors import ConfigError
from triage.domain.sheet_row import NaturalSounds
from triage.intake.names import NamePattern

SESSION_FILE = "session.toml"
Role = Literal["close", "spot", "main", "outrigger", "room"]
# Best microphone for measuring a player: nearest first, the rooms and arrays last.
SEATS: tuple[Role, ...] = ("close", "spot")


def _named(text: str) -> str:
    text = unicodedata.normalize("NFC", text.strip())
    if not text or not text.isprintable():
        raise ValueError("must be visible text on one line")
    return text


def _mic_named(text: str) -> str:
    # A mic name is part of file names, where "/" would start a folder.
    if "/" in text or "\\" in text:
        raise ValueError("must not contain / or \\")
    return _named(text)


def _inside(text: str) -> str:
    path = PurePosixPath(text)
    if not text.strip() or path.is_absolute() or ".." in path.parts or "\\" in text:
        raise ValueError("must be a folder inside the session's folder, written with /")
    return text


Named = Annotated[str, AfterValidator(_named)]


class About(Strict):
    """Table [session]: what holds for every take; `sample_rate_hz` None means that of most files."""

    name: Named
    date: datetime.date
    # Wider than the 44.1 to 192 kHz that sessions use: an odd rate is reported per file, a mistyped
    # digit here.
    sample_rate_hz: Annotated[int, Field(ge=8_000, le=384_000)] | None = None
    a4_hz: Annotated[float, Field(ge=380, le=500)] = 440.0
    reference_mic: Annotated[Named | None, Field(validation_alias=AliasChoices("reference_mic", "judge_mic"))] = None
    middle_c_octave: Annotated[int, Field(ge=3, le=5)] = 4
    natural_sounds: NaturalSounds = "usual"  # of each take whose row of the sheet does not say


class Files(Strict):
    """Table [files]: the folder of the recordings and the pattern of their names inside it."""

    folder: Annotated[str, AfterValidator(_inside)] = "audio"
    name: str


class Mic(Strict):
    """One [[mics]] table: the name used in file names or iXML, and where the microphone stood."""

    name: Annotated[str, AfterValidator(_mic_named)]
    role: Role
    # The level in dB SPL of a tone whose peaks just reach full scale; a calibrator's level less its peak in dBFS.
    full_scale_db_spl: Annotated[float, Field(ge=60, le=200)] | None = None


class Vocabulary(Strict):
    """Table [vocabulary]: the session's own words, which are taken for no slip of the take sheet."""

    articulations: tuple[Named, ...] = ()
    dynamics: tuple[Named, ...] = ()


class SessionDescription(Strict):
    """A whole session.toml, with its tables `about`, `files`, `mics` and `vocabulary`."""

    about: About = Field(alias="session")
    files: Files
    mics: tuple[Mic, ...] = ()
    vocabulary: Vocabulary = Vocabulary()

    @model_validator(mode="after")
    def _agrees(self) -> "SessionDescription":
        _check_mics(self.mic_names, self.about.reference_mic)
        NamePattern(self.files.name, self.mic_names)
        return self

    @property
    def name(self) -> str:
        """The session's name."""
        return self.about.name

    @property
    def date(self) -> datetime.date:
        """The day of the recording."""
        return self.about.date

    @property
    def sample_rate_hz(self) -> int | None:
        """What every file should have, in Hz; None where session.toml leaves it to the files."""
        return self.about.sample_rate_hz

    @property
    def a4_hz(self) -> float:
        """The tuning reference, in Hz."""
        return self.about.a4_hz

    @property
    def middle_c_octave(self) -> int:
        """The octave number that MIDI 60 carries on this session's take sheet and in its file names."""
        return self.about.middle_c_octave

    @property
    def natural_sounds(self) -> NaturalSounds:
        """What is wanted of natural sounds of playing where the take sheet does not say."""
        return self.about.natural_sounds

    @property
    def mic_names(self) -> tuple[str, ...]:
        """Mic names in the order of session.toml, which is the channel order of a polyphonic file."""
        return tuple(mic.name for mic in self.mics)

    def full_scale_db_spl(self) -> dict[str, float]:
        """Return mic -> the sound level in dB SPL that reaches full scale, for the mics that were calibrated."""
        return {mic.name: mic.full_scale_db_spl for mic in self.mics if mic.full_scale_db_spl is not None}

    def reference_mic_name(self) -> str:
        """Return the mic that notes are measured on: the named one, else the first close, spot, or any mic."""
        if self.about.reference_mic:
            return self.about.reference_mic
        for role in SEATS:
            for mic in self.mics:
                if mic.role == role:
                    return mic.name
        return self.mics[0].name


def read_session(folder: Path) -> SessionDescription:
    """Return what a folder's session.toml describes, every key checked.

    Raises
    ------
    ConfigError
        If the file is missing, is not TOML, has an unknown key or an impossible value, names no mic or one
        mic twice, or its file name pattern cannot be used.
    """
    path = Path(folder) / SESSION_FILE
    try:
        return read_toml(path, SessionDescription)
    except ConfigError as error:
        # Mistakes between keys are found without knowing the file; each message is to name it.
        where = "" if str(error).startswith(str(path)) else f"{path}: "
        raise ConfigError(f"{where}{error}") from None


def _check_mics(names: tuple[str, ...], reference_mic: str | None) -> None:
    if not names:
        raise ConfigError("no mics; add a [[mics]] table with name and role for each microphone")
    # Folded, because iXML names are matched without regard to case.
    folded = [name.casefold() for name in names]
    for place, name in enumerate(folded):
        if name in folded[:place]:
            raise ConfigError(f"mic {names[place]!r} is named twice; give each microphone its own name")
    if reference_mic is not None and reference_mic not in names:
        raise ConfigError(f"session.reference_mic = {reference_mic!r} is none of the mics: {' '.join(names)}")
