"""Kinds of noise: is a candidate a noise at all, and which, told from the shape of what rose out of the music.

A row of FEATURES a candidate goes in, probabilities come out. The model was trained by training/noise_kinds.py on
real clips and made ones laid into real notes in many rooms; ``music`` is its name for what only looks like a noise.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from safetensors import safe_open
from scipy.special import softmax

from triage.config import shipped
from triage.errors import AudioError
from triage.listen.decays import GROUP, top
from triage.listen.logmel import HOP_S, N_MELS
from triage.listen.notes import Note

MUSIC = "music"
SHIPPED = "models/noise_kinds.safetensors"
N_PARTS = N_MELS // GROUP
UNKNOWN = -1.0  # stands for a feature that cannot be told
SINCE_S = 3.0  # further back no note matters
SUB_EVENT_DB = 6.0  # between two peaks of one hit
# Heard as: what the names of the trade mean here.
KINDS = {
    "click": "a tick under 20 ms of a thing, not of the samples",
    "creak": "chair, floor, bench: stick and slip",
    "breath": "a player's air",
    "voice": "speech, a cough, a hum",
    "knock": "stand, foot, door; a footstep; the first blow of a handling thump",
    "mechanism": "valve, key, pedal, lip smack",
    "paper": "a page, cloth that rustles",
    "bleed": "click track or music out of a headphone",
    "rumble": "below 60 Hz: traffic, air conditioning, a handled stand",
    "hum": "mains and its harmonics, lamp buzz",
    "hiss": "steady treble",
    "other-noise": "none of these",
}
FEATURES = (
    *(f"excess_{i}" for i in range(N_PARTS)),  # dB above the music in each part, where strongest
    *(f"shape_{i}" for i in range(N_PARTS)),  # dB of the part's level against the whole noise
    "strength", "strength_mean", "parts", "length_s", "rise_s", "fall_s", "steepest_db", "sub_events", "modulation",
    "peaky_db", "like_note", "under_note_db", "ringing_db", "since_end_s", "until_start_s", "held", "note_length_s",
    "tonal_share", "other_top", "other_mean", "other_share",
)  # fmt: skip


@dataclass(frozen=True)
class NoiseModel:
    """A few networks of one hidden layer that vote; what they hear is clipped to what they were fitted on.

    Arrays by name: ``low``, ``high``, ``mean``, ``scale`` (FEATURES,); ``w1`` (network, FEATURES, hidden), ``b1``
    (network, hidden), ``w2`` (network, hidden, kind), ``b2`` (network, kind).
    """

    version: str
    kinds: tuple[str, ...]  # with MUSIC
    arrays: Mapping[str, np.ndarray]

    def probabilities(self, features: np.ndarray) -> tuple[list[str], np.ndarray]:
        """Return the kinds, and the probability of each for every candidate [shape=(candidate, kind)].

        A row sums to the probability that the candidate is a noise at all.
        """
        own = self.arrays
        known = (np.clip(np.nan_to_num(features, nan=UNKNOWN), own["low"], own["high"]) - own["mean"]) / own["scale"]
        hidden = np.maximum(known @ own["w1"] + own["b1"][:, None], 0.0)  # (network, candidate, hidden)
        mean = softmax(hidden @ own["w2"] + own["b2"][:, None], axis=2).mean(axis=0)
        columns = [i for i, kind in enumerate(self.kinds) if kind != MUSIC]
        return [self.kinds[i] for i in columns], mean[:, columns]


@cache
def load_noise_model() -> NoiseModel:
    """Return the shipped model, read once a process; loading it runs no code of the file.

    Raises
    ------
    AudioError
        If the file is none, or was fitted on other features.
    """
    path = shipped(SHIPPED)
    try:
        with safe_open(path, "numpy") as file:
            told, arrays = file.metadata(), {name: file.get_tensor(name) for name in file.keys()}
        model = NoiseModel(told["version"], tuple(told["kinds"].split()), arrays)
        names = tuple(told["features"].split())
    except Exception as error:  # the library raises of every kind on a strange file
        raise AudioError(f"{path}: not a model of noises ({error}); see `python -m training.noise_kinds`") from None
    if names != FEATURES:
        raise AudioError(f"{path}: fitted on other features; use the one of this version")
    return model


def own_features(
    span: tuple[int, int],
    frames: np.ndarray,
    level: np.ndarray,
    excess: np.ndarray,
    floor: np.ndarray,
    notes: Sequence[Note],
) -> np.ndarray:
    """Return what one microphone shows of a candidate; the last three, of the other microphones, are NaN.

    Parameters
    ----------
    span : tuple of int
        First and past-last frame.
    frames : ndarray, shape (mel, frame)
    level, excess : ndarray, shape (part, frame)
        Of ``decays.group_levels``, and what rose.
    floor : ndarray, shape (part,)
    notes : sequence of Note

    Returns
    -------
    ndarray, shape (FEATURES,)
    """
    first, last = span
    over = excess[:, first:last]
    strength = top(over)
    peak = int(strength.argmax())
    shown = over[:, max(0, peak - 2) : peak + 3].mean(axis=1)
    noise = np.where(shown > 0.5, level[:, first + peak], -130.0)
    whole = 10 * np.log10((10 ** (noise / 10)).sum() + 1e-13)
    shape = np.maximum(noise - whole, -40.0)
    course = _course(frames, excess, span)
    values = [
        *shown, *shape, strength.max(), strength.mean(), float((shown > 2.0).sum()), (last - first) * HOP_S,
        *_times(course), *_fine(frames, excess, (first + peak, first)), *_music(span, frames, level, floor, notes),
        *_tones(frames, first + peak), np.nan, np.nan, np.nan,
    ]  # fmt: skip
    return np.array(values, dtype=np.float32)


def _course(frames: np.ndarray, excess: np.ndarray, span: tuple[int, int]) -> np.ndarray:
    """Return the level every 10 ms of the bands that rose, from 100 ms before to 100 ms after, in dB."""
    first, last = span
    rose = np.repeat(excess[:, first:last].max(axis=1) > 2.0, GROUP)
    rose = rose if rose.any() else np.ones(len(rose), bool)
    part = 10 ** (frames[rose, max(0, first - 10) : last + 10] / 10)
    return np.asarray(10 * np.log10(part.sum(axis=0) + 1e-13))


def _times(course: np.ndarray) -> list[float]:
    """Return rise and fall within 10 dB of the top, the steepest step, the number of peaks, the modulation."""
    peak = int(course.argmax())
    low = course[peak] - 10.0
    before, after = np.flatnonzero(course[:peak] < low), np.flatnonzero(course[peak:] < low)
    rise = peak - before[-1] if len(before) else peak + 1
    fall = after[0] if len(after) else len(course) - peak
    peaks = np.flatnonzero((course[1:-1] > course[:-2]) & (course[1:-1] >= course[2:])) + 1
    count, last = 0, -1
    for at in map(int, peaks):
        valley = course[last:at].min() if last >= 0 else -np.inf
        if course[at] > course[peak] - 15.0 and course[at] - valley > SUB_EVENT_DB:
            count, last = count + 1, at
    middle = course[course > course[peak] - 20.0]
    steepest = float(np.diff(course).max()) if len(course) > 1 else 0.0
    modulation = float(np.abs(np.diff(middle)).mean()) if len(middle) > 1 else 0.0
    return [rise * HOP_S, fall * HOP_S, steepest, float(count), modulation]


def _fine(frames: np.ndarray, excess: np.ndarray, at: tuple[int, int]) -> list[float]:
    """Return how peaky the rise is over the mel bands: the mean step from band to band, in dB."""
    peak, first = at
    before = frames[:, max(0, first - 12) : max(1, first - 4)].mean(axis=1)
    rise = np.maximum(frames[:, peak] - before, 0.0)
    rose = rise > 3.0
    steps = np.abs(np.diff(rise))[rose[1:] | rose[:-1]]
    return [float(steps.mean()) if len(steps) else 0.0]


def _music(
    span: tuple[int, int], frames: np.ndarray, level: np.ndarray, floor: np.ndarray, notes: Sequence[Note]
) -> list[float]:
    """Return what the note it is in or after says: likeness of spectra, levels, times."""
    first, last = span
    at_s = 0.5 * (first + last) * HOP_S
    now = level[:, first:last].max(axis=1)
    around = level[:, max(0, first - 8) : max(1, first - 2)].mean(axis=1)
    ringing = float(np.maximum(around - floor, 0.0).mean())
    before = [note for note in notes if note.start_s <= at_s]
    after = [note.start_s - at_s for note in notes if note.start_s > at_s]
    until_s = min(min(after, default=SINCE_S), SINCE_S)
    if not before:
        return [0.0, 60.0, ringing, SINCE_S, until_s, 0.0, 0.0]
    note = before[-1]
    sounding = level[:, round(note.start_s / HOP_S) : max(round(note.end_s / HOP_S), round(note.start_s / HOP_S) + 1)]
    usual = 10 * np.log10((10 ** (sounding / 10)).mean(axis=1) + 1e-13)
    rise = np.maximum(now - around, 0.0)
    alike = float(np.corrcoef(rise, usual)[0, 1]) if rise.std() > 0 and usual.std() > 0 else 0.0
    under = 10 * np.log10((10 ** (usual / 10)).sum()) - 10 * np.log10((10 ** (now / 10)).sum() + 1e-13)
    held = float(at_s < note.end_s)
    return [alike, float(under), ringing, min(at_s - note.end_s, SINCE_S), until_s, held, note.end_s - note.start_s]


def _tones(frames: np.ndarray, peak: int) -> list[float]:
    """Return the share of the frame's level that stands in single bands 6 dB over their neighbours."""
    now = frames[:, peak]
    around = np.maximum(np.r_[now[0], now[:-1]], np.r_[now[1:], now[-1]])
    power = 10 ** (now / 10)
    return [float(power[now > around + 3.0].sum() / max(power.sum(), 1e-13))]
