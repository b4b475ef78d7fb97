"""Noise hits: sounds that are not the notes, on every microphone of a take, in gaps, in tails and under notes.

Log-mel frames of one microphone (mel, frame) in dB and the take's notes go in; candidates come out, each with what
``kinds.py`` judges it by. After a note the level in each part of the spectrum only falls, down to the floor; while a
note is held it stays. What rises out of either and goes again is a candidate: the note's own attack, a legato change
and the ring-out are not asked. Whether a candidate is a noise, of which kind, and how far the music covers it is
settled once all microphones have been heard (``told``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from triage.listen.decays import GROUP, excess_db, group_levels, spread_runs, top
from triage.listen.kinds import FEATURES, NoiseModel, own_features
from triage.listen.logmel import BANDS_OVER_RMS_DB, HOP_S
from triage.listen.masking import audible_db, exposure
from triage.listen.notes import Note, floor_db

LEAST_EXCESS_DB = 1.5  # where it begins and ends
EXCESS_DB = 3.5  # mean of the top groups over the decay and its margins, or over the held note
HELD_S, HELD_WIDTH_S = 0.12, 0.8  # of a note that is past its attack; what comes and goes within it
HELD_MARGIN_DB = 1.5
GUARD_S = 0.06  # around a note's start and end: its own attack and release
SAME_MOMENT_S = 0.08  # between microphones: 27 m of air
REACH = 4  # frames: half of the mean and half of a frame away from a candidate it is not in the level
SHOWS_DB = 12.0  # under the music a noise may lie and leave no trace
LEAST_EXPOSED = 0.1  # what nobody hears is no hit
SURE = 0.5  # least probability of a noise


@dataclass(frozen=True)
class Candidate:
    """What rose on one microphone and may be a noise; times in seconds from the take's start."""

    start_s: float
    end_s: float
    level_dbfs: float
    over_floor_db: float
    over_decay_db: float  # mean of its strongest bands over what was ringing
    exposed: float  # 0 masked to 1 fully audible
    features: np.ndarray  # (FEATURES,)


@dataclass(frozen=True)
class MicHeard:
    """What one microphone of a take brought."""

    mic: str
    candidates: list[Candidate]
    strength: np.ndarray  # (frame,) float16, dB: what rose, in any part of the spectrum


@dataclass(frozen=True)
class Hit:
    """One noise event on one microphone; times in seconds from the take's start."""

    kind: str
    start_s: float
    end_s: float
    mic: str
    level_dbfs: float
    over_floor_db: float
    over_decay_db: float
    exposed: float  # 0 masked to 1 fully audible
    likely: Mapping[str, float]  # kind -> probability; together that it is a noise at all


def hear_mic(frames: np.ndarray, notes: Sequence[Note], mic: str, band_hz: np.ndarray) -> MicHeard:
    """Find everything on one microphone that may be a noise.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Log-mel levels in dB re full scale.
    notes : sequence of Note
        The take's notes in order.
    mic : str
    band_hz : ndarray, shape (mel,)
        Centre frequency of each band.

    Returns
    -------
    MicHeard
        Candidates in order of time.
    """
    floor = floor_db(frames)
    level, floors = group_levels(frames)
    excess, music = excess_db(level, floors, free_frames(notes, frames.shape[1]))
    _add_held(level, notes, excess, music)
    strength = top(excess)
    found = []
    for first, last in spread_runs(strength, EXCESS_DB, LEAST_EXCESS_DB):
        found.append(_candidate((first, last), frames, (floor, floors), (level, excess, music), notes, band_hz))
    return MicHeard(mic, found, strength.astype(np.float16))


def told(heard: Sequence[MicHeard], model: NoiseModel) -> list[Hit]:
    """Say which candidates of all microphones are noises, and of which kind.

    Parameters
    ----------
    heard : sequence of MicHeard
        Every microphone of a take.
    model : NoiseModel

    Returns
    -------
    list of Hit
        In order of time; those that are more likely the music are left out.
    """
    rows = [(one.mic, c, joined_features(c, one, heard)) for one in heard for c in one.candidates]
    if not rows:
        return []
    kinds, probabilities = model.probabilities(np.stack([row[2] for row in rows]))
    hits = []
    for (mic, c, _), each in zip(rows, probabilities, strict=True):
        if each.sum() >= SURE and c.exposed >= LEAST_EXPOSED:
            likely = dict(zip(kinds, map(float, each), strict=True))
            kind = max(kinds, key=lambda k: likely[k])
            hits.append(
                Hit(kind, c.start_s, c.end_s, mic, c.level_dbfs, c.over_floor_db, c.over_decay_db, c.exposed, likely)
            )
    return sorted(hits, key=lambda hit: (hit.start_s, hit.mic))


def find_hits(
    frames: np.ndarray, notes: Sequence[Note], mic: str, band_hz: np.ndarray, model: NoiseModel
) -> list[Hit]:
    """Find the noise hits of a take that has one microphone; arguments as for ``hear_mic`` and ``told``."""
    return told([hear_mic(frames, notes, mic, band_hz)], model)


def joined_features(candidate: Candidate, own: MicHeard, heard: Sequence[MicHeard]) -> np.ndarray:
    """Return a candidate's features with what the other microphones show at that moment [shape=(FEATURES,)].

    NaN where there is no other one: a noise reaches all microphones, a tail that beats does so on one alone.
    """
    first = max(0, round((candidate.start_s - SAME_MOMENT_S) / HOP_S))
    last = round((candidate.end_s + SAME_MOMENT_S) / HOP_S) + 1
    others = [float(one.strength[first:last].max(initial=0.0)) for one in heard if one is not own]
    joined = candidate.features.copy()
    if others:
        ranked = sorted(others, reverse=True)
        joined[-3:] = ranked[0], float(np.mean(ranked)), float(np.mean(np.array(ranked) > EXCESS_DB))
    assert len(joined) == len(FEATURES)
    return joined


def free_frames(notes: Sequence[Note], n_frames: int) -> np.ndarray:
    """Return where no note sounds, with a guard around each [shape=(frame,), bool]."""
    free = np.ones(n_frames, bool)
    for note in notes:
        free[max(0, round((note.start_s - GUARD_S) / HOP_S)) : round((note.end_s + GUARD_S) / HOP_S)] = False
    return free


def _add_held(level: np.ndarray, notes: Sequence[Note], excess: np.ndarray, music: np.ndarray) -> None:
    """Add how far each part stands above a held note, in dB, and what the note itself is there.

    The level less its opening (Serra, Image Analysis and Mathematical Morphology, 1982): a fall, a swell or a step
    stay, what comes and goes within HELD_WIDTH_S is left over; less what the note itself usually wavers.
    """
    width = round(HELD_WIDTH_S / HOP_S)
    for note in notes:
        first = round((note.start_s + HELD_S) / HOP_S)
        last = min(round((note.end_s - GUARD_S) / HOP_S), level.shape[1])  # a track can be shorter than the take
        if last - first < width // 2:
            continue
        part = level[:, first:last]
        opened = ndimage.grey_opening(part, size=(1, min(width, last - first)), mode="reflect")
        wavers = np.maximum(np.percentile(part - opened, 80, axis=1, keepdims=True), 1.0)
        excess[:, first:last] = np.maximum(part - opened - wavers - HELD_MARGIN_DB, 0.0)
        music[:, first:last] = opened + wavers


def _candidate(
    span: tuple[int, int],
    frames: np.ndarray,
    floors: tuple[np.ndarray, np.ndarray],
    courses: tuple[np.ndarray, np.ndarray, np.ndarray],
    notes: Sequence[Note],
    band_hz: np.ndarray,
) -> Candidate:
    first, last = span
    (floor, group_floor), (level, excess, music) = floors, courses
    own, over, under_db = level[:, first:last], excess[:, first:last], _beneath(level, music, span, group_floor)
    power = np.where(np.repeat(over, GROUP, axis=0) > 1.0, 10 ** (frames[:, first:last] / 10), 0.0)
    loudest = 10 * np.log10(power.sum(axis=0).max() + 1e-12)
    under = 10 * np.log10((10 ** (floor / 10))[power.any(axis=1)].sum() + 1e-12)
    noise = 10 * np.log10(np.maximum(10 ** (own / 10) - 10 ** (under_db / 10), 1e-13))
    group_hz = band_hz.reshape(-1, GROUP).mean(axis=1)
    if any(note.start_s < 0.5 * (first + last) * HOP_S < note.end_s for note in notes):
        noise = _hidden(noise, under_db)
    heard = float(audible_db(noise, under_db, group_floor, group_hz).max())
    features = own_features(span, frames, level, excess, group_floor, notes)
    return Candidate(
        first * HOP_S,
        last * HOP_S,
        float(loudest - BANDS_OVER_RMS_DB),
        float(loudest - under),
        float(top(over).max()),
        exposure(heard),
        features,
    )


def _beneath(level: np.ndarray, music: np.ndarray, span: tuple[int, int], floor: np.ndarray) -> np.ndarray:
    """Return the music beneath a candidate: at most the line from what was before it to what comes after, in dB."""
    first, last = span
    before, after = level[:, max(0, first - REACH)], level[:, min(last + REACH - 1, level.shape[1] - 1)]
    line = before[:, None] + (after - before)[:, None] * np.linspace(0, 1, last - first)
    return np.minimum(np.minimum(music[:, first:last], np.maximum(line, floor[:, None])), level[:, first:last])


def _hidden(noise_db: np.ndarray, music_db: np.ndarray) -> np.ndarray:
    """Return the noise with what a held note hides of it: as loud as where it shows most, unless it would show."""
    return np.maximum(noise_db, np.minimum(noise_db.max(axis=0), music_db - SHOWS_DB))
