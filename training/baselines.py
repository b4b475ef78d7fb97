"""General baselines: rankings without notes, neighbours or microphones.

Log-mel frames of one microphone of every take go in; one score a take comes out, higher = more doubtful. Each is
fitted on the session it ranks, as the tool is.
"""

import numpy as np
from scipy.fft import dct
from sklearn.ensemble import IsolationForest
from sklearn.mixture import GaussianMixture
from sklearn.preprocessing import StandardScaler

N_MFCC = 20
COMPONENTS = 2  # of the mixture; DCASE 2022 style pooled mixtures use few (Guan et al., ICASSP 2023)


def pooled_logmel(frames: np.ndarray) -> np.ndarray:
    """Return mean and standard deviation over time of each band [shape=(2 * mel,)] of frames (mel, frame)."""
    return np.concatenate((frames.mean(axis=1), frames.std(axis=1)))


def pooled_mfcc(frames: np.ndarray) -> np.ndarray:
    """Return mean and standard deviation over time of 20 cepstra [shape=(40,)] of frames (mel, frame) in dB."""
    cepstra = dct(frames, type=2, norm="ortho", axis=0)[:N_MFCC]
    return np.concatenate((cepstra.mean(axis=1), cepstra.std(axis=1)))


def isolation_forest(vectors: np.ndarray, seed: int) -> np.ndarray:
    """Return how easily each row is isolated (Liu, Ting and Zhou, ICDM 2008)."""
    scaled = StandardScaler().fit_transform(vectors)
    return -IsolationForest(n_estimators=300, random_state=seed).fit(scaled).score_samples(scaled)


def gaussian_mixture(vectors: np.ndarray, seed: int) -> np.ndarray:
    """Return each row's negative log likelihood under a mixture of the others: alone it would be a component."""
    scaled = StandardScaler().fit_transform(vectors)
    scores = []
    for row in range(len(scaled)):
        others = np.delete(scaled, row, axis=0)
        count = min(COMPONENTS, len(others))
        mixture = GaussianMixture(count, covariance_type="diag", reg_covar=0.1, random_state=seed)
        scores.append(-float(mixture.fit(others).score_samples(scaled[row : row + 1])[0]))
    return np.array(scores)


def level_only(levels_db: np.ndarray, cohort: np.ndarray) -> np.ndarray:
    """Return each take's distance in dB from the median level of the takes of its cohort."""
    return np.array([abs(x - np.median(levels_db[cohort == c])) for x, c in zip(levels_db, cohort, strict=True)])


def random_order(count: int, seed: int) -> np.ndarray:
    """Return one random score a take."""
    return np.random.default_rng(seed).random(count)
