"""General baselines for noise hits: detection without notes, tails or microphones.

Log-mel frames of one microphone (mel, frame) in dB go in, one score a frame comes out, higher = more like a noise.
"""

import numpy as np
from scipy import ndimage
from sklearn.ensemble import IsolationForest

HIGH_HZ = 4000.0
MEDIAN_FRAMES = 201  # 2 s
JOIN_FRAMES = 20


def high_band(frames: np.ndarray, band_hz: np.ndarray) -> np.ndarray:
    """Return the level above 4 kHz over its own median of 2 s, in dB."""
    level = 10 * np.log10((10 ** (frames[band_hz >= HIGH_HZ] / 10)).sum(axis=0) + 1e-13)
    return np.asarray(level - ndimage.median_filter(level, MEDIAN_FRAMES, mode="nearest"))


def spectral_flux(frames: np.ndarray, band_hz: np.ndarray) -> np.ndarray:
    """Return the sum of the rises of all bands in 30 ms, in dB (Bello et al., IEEE TSAP 13(5), 2005)."""
    rise = np.maximum(frames[:, 3:] - frames[:, :-3], 0.0).mean(axis=0)
    return np.pad(rise, (3, 0))


def isolation(frames: np.ndarray, band_hz: np.ndarray) -> np.ndarray:
    """Return how easily a frame of 20 parts of the spectrum is isolated from the take's others (Liu et al., 2008)."""
    parts = frames.reshape(20, -1, frames.shape[1]).mean(axis=1).T
    return np.asarray(-IsolationForest(n_estimators=100, random_state=0).fit(parts).score_samples(parts))


BASELINES = {"energy above 4 kHz": high_band, "spectral flux": spectral_flux, "isolation forest on frames": isolation}


def events(scores: np.ndarray, threshold: float) -> list[tuple[int, int]]:
    """Return first and past-last frame of each run above a threshold, on any microphone (mic, frame), runs joined."""
    high = np.pad((scores > threshold).any(axis=0), JOIN_FRAMES)
    joined = ndimage.binary_closing(high, np.ones(JOIN_FRAMES, bool))[JOIN_FRAMES:-JOIN_FRAMES]
    edges = np.flatnonzero(np.diff(np.r_[0, joined.astype(np.int8), 0]))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
