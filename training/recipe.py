"""The recipe of a built session: every number that decides what is rendered, read from one TOML file.

``configs/evaluation.toml`` builds from real notes, ``configs/demo.toml`` from invented ones. Pairs are
(lowest, highest) of a uniform draw.
"""

from datetime import date
from typing import Literal

from pydantic import Field

from training.rooms import HallRecipe, MicRecipe
from triage.config import Strict

Range = tuple[float, float]


class SessionRecipe(Strict):
    """The head of session.toml, and how the files are written."""

    name: str
    date: date
    sample_rate_hz: int = 48_000
    a4_hz: float = 440.0
    subtype: str = "PCM_24"


class TakesRecipe(Strict):
    """How notes are put together into takes."""

    pitches: tuple[int, int] = (3, 5)
    repetitions: tuple[int, int] = (2, 3)
    gap_s: Range = (0.8, 2.5)  # from the end of a note's ring to the next onset
    lead_s: float = 0.6
    ring_s: float = 1.2  # after the last note's ring
    most: int = 48
    least_pitches: int = 4  # an articulation x dynamic with fewer pitches has no cohort to judge against
    unnamed_dynamic: str = "mf"  # for sources that name none


class VariationRecipe(Strict):
    """Natural variation: of a second use of one recording, and of every note."""

    copy_cents: float = 4.0  # +-
    copy_level_db: float = 0.7
    copy_length: float = 0.04
    every_cents: float = 1.5
    every_level_db: float = 0.3


class FaultsRecipe(Strict):
    """How many takes are spoilt, by what (relative weights), and sizes that differ from the registry's."""

    share: float = 0.2
    weights: dict[str, float]
    sizes: dict[str, Range] = Field(default_factory=dict)


class NoiseRecipe(Strict):
    """Noise hits: the loudest 10 ms, in the microphone where it is loudest, under the note's RMS there."""

    under_note_db: Range = (15.0, 38.0)
    least_over_floor_db: float = 10.0  # weaker ones are raised to this: nobody hears them
    longest_s: float = 0.9
    # Lets training and evaluation use different clips; first-a and first-b are the two halves of the first.
    half: Literal["all", "first", "first-a", "first-b", "second"] = "all"
    kinds: dict[str, str] = Field(default_factory=dict)  # category of noise.csv -> kind of a spot
    without_sources: tuple[str, ...] = ()  # of noise.csv: left out whole


class Recipe(Strict):
    """Everything about one built session but its seed."""

    session: SessionRecipe
    takes: TakesRecipe = TakesRecipe()
    variation: VariationRecipe = VariationRecipe()
    faults: FaultsRecipe
    noise: NoiseRecipe = NoiseRecipe()
    hall: HallRecipe
    mics: tuple[MicRecipe, ...]
    peak_dbfs: dict[str, float] = Field(default_factory=dict)  # dynamic -> peak of its loudest dry note
    octaves: dict[str, int] = Field(default_factory=dict)  # source -> octaves, listed to sounding
