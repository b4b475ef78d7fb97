"""The truth about a take with planted noises: when each sounds and where, and how far it can be heard.

What the microphones record of a noise and of the music, apart, shape (channel, sample), goes in; both generators of
test takes describe theirs by this.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from triage.listen.logmel import HOP_S, LogMel
from triage.listen.masking import audible_db, exposure
from triage.listen.mel_groups import GROUP, group_levels

LEAST_AUDIBLE_DB = 4.0  # over the masker: an exposure of 0.3


@dataclass(frozen=True)
class PlantedNoise:
    """One noise of a scene."""

    kind: str
    start_s: float  # at the microphone that it reaches first
    end_s: float
    where: str  # gap, before (and into a note), held, masked
    nearest: str
    starts_s: tuple[float, ...]  # at each microphone
    exposed: float  # highest over microphones
    over_floor_db: float  # in its own bands, highest over microphones
    second: str = ""  # the next nearest microphone
    source: str = ""  # of the clip


@dataclass(frozen=True)
class Scene:
    """The tracks of one take, and their truth."""

    tracks: np.ndarray  # (channel, sample)
    rate_hz: int
    mics: tuple[str, ...]
    planted: tuple[PlantedNoise, ...]
    notes_s: tuple[tuple[float, float], ...] = field(default=())  # (onset, end) at the first microphone
    playing: tuple[tuple[str, float, float], ...] = field(default=())  # natural sounds of playing: kind, start, end

    @property
    def duration_s(self) -> float:
        """Return how long the take is."""
        return float(self.tracks.shape[1] / self.rate_hz)


class Audibility(NamedTuple):
    """How far a noise can be heard."""

    mic: int  # where it is most exposed
    exposed: float
    over_floor_db: float  # in its own bands, highest over microphones
    first_s: float  # first and last audible time at that microphone, from the noise's start
    last_s: float


def audibility_of(noise: np.ndarray, music: np.ndarray, floors: Sequence[np.ndarray], rate_hz: int) -> Audibility:
    """Return how audible a noise is, from the noise and the music alone, shape (channel, sample).

    ``floors`` are the levels of the microphones' own noise, as of ``mean_levels``.
    """
    transform = LogMel(rate_hz)
    band_hz = transform.band_hz().reshape(-1, GROUP).mean(axis=1)
    own, under = transform(noise), transform(music)
    best, over = Audibility(0, -1.0, 0.0, 0.0, 0.0), 0.0
    for channel, floor in enumerate(floors):
        level, covered = group_levels(own[channel])[0], group_levels(under[channel])[0]
        contour = audible_db(level, covered, floor, band_hz)
        audible = np.flatnonzero(contour > LEAST_AUDIBLE_DB)
        exposed = exposure(float(contour.max()))
        if exposed > best.exposed:
            first, last = (audible[0], audible[-1]) if len(audible) else (0, 0)
            best = Audibility(channel, exposed, 0.0, first * HOP_S, last * HOP_S)
        over = max(over, _over(level, floor))
    return best._replace(over_floor_db=over)


def mean_levels(noise: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the mean level of a steady noise [shape=(sample,)] in each mel group [shape=(group,)], in dB."""
    frames = LogMel(rate_hz)(noise[None])[0]
    power = (10 ** (frames / 10)).reshape(-1, GROUP, frames.shape[1]).sum(axis=1)
    return np.asarray(10 * np.log10(power.mean(axis=1) + 1e-13))


def _over(level: np.ndarray, floor: np.ndarray) -> float:
    rose = level > floor[:, None] + 3.0
    power = np.where(rose, 10 ** (level / 10), 0.0).sum(axis=0)
    quiet = np.where(rose, 10 ** (floor / 10)[:, None], 0.0).sum(axis=0)
    at = int(power.argmax())
    return float(10 * np.log10(power[at] / quiet[at])) if power[at] > 0 else 0.0
