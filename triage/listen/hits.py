"""Noise hits: sounds that are not the notes, on every microphone of a take, in gaps, in tails and under notes.

Log-mel frames of one microphone (mel, frame) in dB go in, microphone after microphone; one event per noise comes out,
and one per natural sound of playing (a breath before the tone, a key). Whether something is a noise, of which kind,
and how far the music covers it is predicted by the noise network (``noise_network.py``); levels are read from the
frames. What starts with a note is the note's own attack, not a hit; what runs into a note is judged by what came
before it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from triage.domain.kinds import NATURAL, NOISES, UNCLEAR
from triage.listen.logmel import BANDS_OVER_RMS_DB
from triage.listen.masking import exposure
from triage.listen.mel_groups import group_levels
from triage.listen.noise_network import STEP_S, STRIDE, NoiseDetector, NoisePrediction
from triage.listen.notes import NoteSegment

SURE = 0.5  # least probability of a noise at its surest step
ON = 0.25  # least probability of a noise while it lasts
# Least probability of a kind: below it, it is unclear. On 134 noises of development sessions 82 % of the 84 kinds
# told from 0.4 on were right, 92 % of 62 from 0.5 on, and all of 48 from 0.6 on: a margin is kept, for training met
# clips of the same sources there.
KIND_SURE = 0.6
JOINED_S = 0.06  # a shorter pause does not end it
ONSET_S = (-0.06, 0.08)  # around a note's start: what begins there is its attack
SMEARED = 2  # steps before a note that the frames already show it
ATTACK = 5  # steps of a note's own attack
LEAD_IN_S = (0.7, 0.1)  # before a note and after its start: where its natural sounds begin
PARTS_DB = 30.0  # below the highest part of a sound's spectrum nothing is told apart
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
    played: float  # probability that it is a natural sound of playing
    natural: str  # which natural sound it is, if it is one; ``kind``: which noise, if it is none
    sound: tuple[float, ...]  # level of each part of the spectrum where it is loudest, in dB of the highest
    leads_in: bool = False  # it begins shortly before a note

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
    starts = np.array([note.start_s for note in notes]) / STEP_S
    any_, played = found.any.numpy(), found.natural.numpy()
    noises = [_until_note(span, any_, starts) for span in _spans(any_)]
    natural = [_until_note(span, played, starts) for span in _spans(played)]
    natural = [span for span in natural if not any(_overlap(span, one) for one in noises)]
    natural = [span for span in natural if not _is_attack(span, starts)]  # it has no level but the note's
    hits = [_hit(span, found, mics, starts) for span in noises if not _is_attack(span, starts)]
    hits += [_hit(span, found, mics, starts, natural=True) for span in natural]
    return sorted((hit for hit in hits if hit.exposed >= LEAST_EXPOSED), key=lambda hit: (hit.start_s, hit.kind))


class _Span(NamedTuple):
    """Steps of a sound: the first, the past-last, and the past-last one before a note begins in it."""

    first: int
    last: int
    clear: int


def _spans(sure: np.ndarray) -> list[_Span]:
    """Return the steps of each sound: from where it is sure to where it is over."""
    on = np.flatnonzero(sure > ON)
    runs = np.split(on, np.flatnonzero(np.diff(on) > JOINED_S / STEP_S + 1) + 1) if len(on) else []
    certain = [(run, np.flatnonzero(sure[run] > SURE)) for run in runs]
    return [_Span(int(run[at[0]]), int(run[-1]) + 1, int(run[-1]) + 1) for run, at in certain if len(at)]


def _is_attack(span: _Span, starts: np.ndarray) -> bool:
    """Return whether what begins here is a note's own attack; ``starts`` are the notes', in steps."""
    since_s = (span.first - starts) * STEP_S
    return bool(((since_s > ONSET_S[0]) & (since_s < ONSET_S[1])).any())


def _until_note(span: _Span, sure: np.ndarray, starts: np.ndarray) -> _Span:
    """Return a sound that runs into a note as it was before the note; it ends there unless it is sure after it."""
    inside = starts[(starts > span.first + 1) & (starts < span.last)]
    if not len(inside):
        return span
    note = int(inside[0])
    clear = max(span.first + 1, note - SMEARED)
    goes_on = (sure[note + ATTACK : span.last] > SURE).any()
    return span._replace(last=span.last if goes_on else max(note, span.first + 1), clear=clear)


def _overlap(one: _Span, other: _Span) -> bool:
    return one.first < other.last and one.last > other.first


def _hit(
    span: _Span, found: NoisePrediction, mics: Sequence[MicAnalysis], starts: np.ndarray, natural: bool = False
) -> NoiseEvent:
    own = slice(span.first, span.clear)
    there, audible = (each[:, own].amax(dim=1).numpy() for each in (found.there, found.audible))
    levels, sounds = {}, {}
    for one, sure, over_db in zip(mics, there, audible, strict=True):
        rose_db, over_floor_db, sound = _rise(one, span)
        exposed = exposure(over_floor_db if natural else min(float(over_db), over_floor_db))
        if natural or sure > SURE or sure == there.max():
            levels[one.mic], sounds[one.mic] = MicLevel(rose_db, over_floor_db, exposed), sound
    ranked = sorted(levels, key=lambda mic: (-levels[mic].level_dbfs, mic))
    before_s = (starts - span.first) * STEP_S
    likely = found.kinds[:, own].mean(dim=1)
    return NoiseEvent(
        NOISES[int(likely.argmax())] if likely.max() > KIND_SURE else UNCLEAR,
        span.first * STEP_S,
        span.last * STEP_S,
        {mic: levels[mic] for mic in ranked},
        float(found.any[span.first : span.last].max()),
        float(found.natural[span.first : span.last].max()),
        NATURAL[int(found.sounds[:, own].mean(dim=1).argmax())],
        sounds[ranked[0]],
        bool(((before_s > -LEAD_IN_S[1]) & (before_s < LEAD_IN_S[0])).any()),
    )


def _rise(one: MicAnalysis, span: _Span) -> tuple[float, float, tuple[float, ...]]:
    """Return a sound's level on one microphone in dBFS, the same over the floor in dB, and its parts.

    The level is of what rose over the line from before it to after it; where a note begins in it, only what came
    before the note counts.
    """
    end = one.level.shape[1]
    first = min(span.first, end - 1)
    last = max(first + 1, min(span.clear, end))
    level = one.level[:, first:last].astype(np.float64)
    before = one.level[:, max(0, first - BEFORE)].astype(np.float64)
    after = one.level[:, min(last + BEFORE - 1, end - 1)].astype(np.float64) if span.clear == span.last else before
    line = before[:, None] + (after - before)[:, None] * np.linspace(0, 1, level.shape[1])
    under = np.maximum(line, one.floor[:, None])
    rose = level > under + RISE_DB
    power = np.where(rose, 10 ** (level / 10) - 10 ** (under / 10), 0.0)
    loudest = power.sum(axis=0).max()
    quiet = (10 ** (one.floor / 10))[rose.any(axis=1)].sum()
    over_db = 10 * np.log10(loudest / quiet) if loudest > 0 else 0.0
    level_dbfs = 10 * np.log10(max(loudest, 1e-13)) - BANDS_OVER_RMS_DB
    parts = 10 * np.log10(power.mean(axis=1) + 1e-13)
    sound = tuple(round(float(part), 1) for part in np.maximum(parts - parts.max(), -PARTS_DB))
    return float(level_dbfs), float(max(over_db, 0.0)), sound
