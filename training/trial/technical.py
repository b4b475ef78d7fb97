"""What a recording chain can spoil: (tracks of a take, generator) -> tracks, each [shape=(sample,)], full scale 1."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from training.trial.rooms import RATE_HZ

Array = npt.NDArray[np.float64]
Tracks = dict[str, Array]


def _one(tracks: Tracks, rng: np.random.Generator, change: Callable[[Array], Array]) -> Tracks:
    """Change one track, drawn at random."""
    name = sorted(tracks)[int(rng.integers(len(tracks)))]
    return tracks | {name: change(tracks[name].copy())}


def _place(track: Array, rng: np.random.Generator) -> int:
    """Return a place where there is sound, so that the fault can be heard."""
    loud = np.flatnonzero(np.abs(track) > 0.3 * np.abs(track).max())
    return int(loud[int(rng.integers(len(loud)))])


def _click(track: Array, rng: np.random.Generator) -> Array:
    place = _place(track, rng)
    track[place : place + 2] += np.array([1, -0.6])[: len(track) - place] * 0.5 * np.abs(track).max()
    return track


def _dropout(track: Array, rng: np.random.Generator) -> Array:
    place = _place(track, rng)
    track[place : place + int(rng.uniform(0.01, 0.06) * RATE_HZ)] = 0
    return track


def clipped(track: Array, top: float, share: float) -> Array:
    """Return a track whose peaks are flat from a share of the highest peak up, with the tops at a level."""
    peak = float(np.abs(track).max())
    return np.clip(track, -share * peak, share * peak) * (top / (share * peak))


def delayed(track: Array, seconds: float) -> Array:
    """Return a track later, at the same length."""
    shift = round(seconds * RATE_HZ)
    return np.concatenate((np.zeros(shift), track[: len(track) - shift]))


TECHNICAL: dict[str, Callable[[Tracks, np.random.Generator], Tracks]] = {
    "digital click": lambda tracks, rng: _one(tracks, rng, lambda track: _click(track, rng)),
    "dropout": lambda tracks, rng: _one(tracks, rng, lambda track: _dropout(track, rng)),
    "clipping": lambda tracks, rng: _one(tracks, rng, lambda track: clipped(track, 1.0, rng.uniform(0.4, 0.7))),
    "clipping below full scale": lambda tracks, rng: _one(
        tracks, rng, lambda track: clipped(track, 10 ** (rng.uniform(-20, -6) / 20), rng.uniform(0.4, 0.7))
    ),
    "dead track": lambda tracks, rng: _one(tracks, rng, np.zeros_like),
    "polarity": lambda tracks, rng: _one(tracks, rng, np.negative),
    "delay": lambda tracks, rng: _one(tracks, rng, lambda track: delayed(track, rng.uniform(0.005, 0.03))),
}
# These need the files themselves.
IN_FILES = ("truncated file", "copy of another take")
