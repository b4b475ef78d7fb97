"""Parts of the spectrum: mel bands joined four by four, each steady enough to show 3 dB.

Log-mel frames (mel, frame) in dB go in; levels (part, frame) and floors (part,) in dB come out.
"""

import numpy as np
from scipy import ndimage

from triage.listen.logmel import N_MELS, percentile, power_of

GROUP = 4  # mel bands together: 20 parts
MEAN_FRAMES = 6


def group_levels(frames: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the level of each part over 60 ms, and its floor (fifth percentile of 0.2 s means), in dB.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)

    Returns
    -------
    level : ndarray, shape (part, frame)
    floor : ndarray, shape (part,)
    """
    power = power_of(frames).reshape(N_MELS // GROUP, GROUP, -1).sum(axis=1)
    level = 10 * np.log10(ndimage.uniform_filter1d(power, MEAN_FRAMES, axis=1, mode="nearest") + 1e-13)
    smooth = ndimage.uniform_filter1d(power, 21, axis=1, mode="nearest")
    return level, 10 * np.log10(percentile(smooth, 5) + 1e-13)
