"""Noise hits: sounds that are not the notes, on every microphone of a take, in gaps, in tails and under notes.

Log-mel frames of one microphone (mel, frame) in dB go in, microphone after microphone; one event per noise comes out.
Whether something is a noise, of which kind, and how far the music covers it is predicted by the noise network
(``noise_network.py``); levels are read from the frames. What starts with a note is the note's own attack, not a hit.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from triage.domain.kinds import NOISES
from triage.listen.logmel import BANDS_OVER_RMS_DB
from triage.listen.masking import exposure
from triage.listen.mel_groups import group_levels
from triage.listen.noise_network import STEP_S, STRIDE, NoiseDetector, NoisePrediction
from triage.listen.notes import NoteSegment

SURE = 0.5  # least probability of a noise at its surest step
ON = 0.25  # least probability of a noise while it lasts
JOINED_S = 0.06  # a shorter pause does not end it
ONSET_S = (-0.06, 0.08)  # around a note's start: what begins there is its attack
LEAST_EXPOSED = 0.1  # what nobody hears is not a hit
BEFORE = 3  # steps before and after a noise that show its surroundings
RISE_DB = 1.0  # over its surroundings: where a part of the spectrum belongs to the noise


@dataclass(frozen=True)
class MicAnalysis:
    """What was found on one microphone of a take."""

    mic: str
    messages: np.ndarray  # (step, message) float16, of the noise network
    level: np.ndarray  # (part, step) float16, dB
    floor: np.ndarray  # (part,) dB


@dataclass(frozen=True)
class MicLevel:
    """A noise's level on one microphone."""

    level_dbfs: float
    over_floor_db: float  # in the parts of the spectrum that it fills
    exposed: float  # 0 masked to 1 fully audible


@dataclass(frozen=True)
class NoiseEvent:
    """One noise event; times in seconds from the take's start."""

    kind: str
    start_s: float
    end_s: float
    mics: Mapping[str, MicLevel]  # those that picked it up, the loudest first
    sure: float  # probability that it is a noise

    @property
    def exposed(self) -> float:
        """Return how far it is exposed where it is most so."""
        return max(mic.exposed for mic in self.mics.values())


def analyse_mic(frames: np.ndarray, notes: Sequence[NoteSegment], mic: str, detector: NoiseDetector) -> MicAnalysis:
    """Return what one microphone of a take holds.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Log-mel levels in dB re full scale.
    notes : sequence of NoteSegment
        The take's notes in order.
    mic : str
    detector : NoiseDetector

    Returns
    -------
    MicAnalysis
        About 6 kB for each second of the take.
    """
    level, floor = group_levels(frames)
    level = np.pad(level, ((0, 0), (0, -level.shape[1] % STRIDE)), mode="edge")
    level = level.reshape(len(level), -1, STRIDE).max(axis=2)
    return MicAnalysis(mic, detector.own(frames, notes), level.astype(np.float16), floor)


def noise_events(
    mics: Sequence[MicAnalysis], notes: Sequence[NoteSegment], detector: NoiseDetector
) -> list[NoiseEvent]:
    """Return the noise events of a take, from all of its microphones together.

    Parameters
    ----------
    mics : sequence of MicAnalysis
    notes : sequence of NoteSegment
    detector : NoiseDetector

    Returns
    -------
    list of NoiseEvent
        In order of time.
    """
    if not mics or not max(len(one.messages) for one in mics):
        return []
    found = detector.joint([one.messages for one in mics])
    hits = (_hit(span, found, mics) for span in _spans(found.any.numpy(), notes))
    return [hit for hit in hits if hit and hit.exposed >= LEAST_EXPOSED]


def _spans(sure: np.ndarray, notes: Sequence[NoteSegment]) -> list[tuple[int, int]]:
    """Return first and past-last step of each noise."""
    on = np.flatnonzero(sure > ON)
    runs = np.split(on, np.flatnonzero(np.diff(on) > JOINED_S / STEP_S + 1) + 1) if len(on) else []
    starts_s = np.array([note.start_s for note in notes])
    spans = []
    for run in runs:
        since_s = run[0] * STEP_S - starts_s
        if sure[run].max() > SURE and not ((since_s > ONSET_S[0]) & (since_s < ONSET_S[1])).any():
            spans.append((int(run[0]), int(run[-1]) + 1))
    return spans


def _hit(span: tuple[int, int], found: NoisePrediction, mics: Sequence[MicAnalysis]) -> NoiseEvent | None:
    first, last = span
    there = found.there[:, first:last].amax(dim=1).numpy()
    audible = found.audible[:, first:last].amax(dim=1).numpy()
    levels = {}
    for one, sure, over_db in zip(mics, there, audible, strict=True):
        if sure > SURE or sure == there.max():
            levels[one.mic] = _level(one, span, float(over_db))
    ranked = sorted(levels, key=lambda mic: (-levels[mic].level_dbfs, mic))
    likely = found.kinds[:, first:last].mean(dim=1)
    kind = NOISES[int(likely.argmax())]
    sure = float(found.any[first:last].max())
    return NoiseEvent(kind, first * STEP_S, last * STEP_S, {mic: levels[mic] for mic in ranked}, sure)


def _level(one: MicAnalysis, span: tuple[int, int], audible_db: float) -> MicLevel:
    """Return a noise's level on one microphone: what rose over the line from before it to after it."""
    first, last = min(span[0], one.level.shape[1] - 1), min(span[1], one.level.shape[1])
    level = one.level[:, first : max(last, first + 1)].astype(np.float64)
    before = one.level[:, max(0, first - BEFORE)].astype(np.float64)
    after = one.level[:, min(last + BEFORE - 1, one.level.shape[1] - 1)].astype(np.float64)
    line = before[:, None] + (after - before)[:, None] * np.linspace(0, 1, level.shape[1])
    under = np.maximum(line, one.floor[:, None])
    rose = level > under + RISE_DB
    power = np.where(rose, 10 ** (level / 10) - 10 ** (under / 10), 0.0)
    loudest = power.sum(axis=0).max()
    quiet = (10 ** (one.floor / 10))[rose.any(axis=1)].sum()
    over_db = 10 * np.log10(loudest / quiet) if loudest > 0 else 0.0
    level_dbfs = 10 * np.log10(max(loudest, 1e-13)) - BANDS_OVER_RMS_DB
    return MicLevel(float(level_dbfs), float(max(over_db, 0.0)), exposure(audible_db))
