"""Masking: how audible a noise is beside the music that sounds at the same moment.

Levels of the noise, the music and the floor in the same bands go in (band, frame), in dB; one number per frame comes
out: the noise's level over what the music covers, in dB, weighted over its bands by their share of its loudness.
"""

import numpy as np

LOUDNESS_EXPONENT = 0.3  # of power: Stevens, Psychological Review 64, 1957


def bark(hz: np.ndarray) -> np.ndarray:
    """Return the critical-band rate in Bark: 13 atan(0.76 f / 1 kHz) + 3.5 atan((f / 7.5 kHz)^2).

    Parameters
    ----------
    hz : ndarray, any shape

    Returns
    -------
    ndarray, same shape

    References
    ----------
    Zwicker and Terhardt, JASA 68, 1980.
    """
    return np.asarray(13 * np.arctan(0.76e-3 * hz) + 3.5 * np.arctan((hz / 7500) ** 2))


def spreading_db(away_bark: np.ndarray) -> np.ndarray:
    """Return how strongly a masker works ``away_bark`` above itself, in dB of its own level.

    15.81 + 7.5 (z + 0.474) - 17.5 sqrt(1 + (z + 0.474)^2): 0 dB at its own place, -25 dB a Bark below, -10 above.

    Parameters
    ----------
    away_bark : ndarray, any shape
        Place of what is masked less place of the masker.

    Returns
    -------
    ndarray, same shape

    References
    ----------
    Schroeder, Atal and Hall, JASA 66, 1979.
    """
    z = away_bark + 0.474
    return np.asarray(15.81 + 7.5 * z - 17.5 * np.sqrt(1 + z**2))


def covered_db(music_db: np.ndarray, band_hz: np.ndarray) -> np.ndarray:
    """Return what the music covers in every band: its power spread over the bands around.

    Parameters
    ----------
    music_db : ndarray, shape (band, frame)
    band_hz : ndarray, shape (band,)

    Returns
    -------
    ndarray, shape (band, frame)
    """
    z = bark(band_hz)
    spread = 10 ** (spreading_db(z[:, None] - z[None, :]) / 10)
    return np.asarray(10 * np.log10(spread @ 10 ** (music_db / 10) + 1e-15))


def audible_db(noise_db: np.ndarray, music_db: np.ndarray, floor_db: np.ndarray, band_hz: np.ndarray) -> np.ndarray:
    """Return how far the noise stands above what covers it, in dB.

    x = sum_b w_b max(0, N_b - max(S_b, F_b)), w_b = n_b^0.3 / sum n^0.3, with N the noise, S the spread music, F the
    floor, n the noise's power where it is over the floor. In a gap x is the noise over the floor; where the music
    covers half of its loudness x is half as much.

    Parameters
    ----------
    noise_db, music_db : ndarray, shape (band, frame)
    floor_db : ndarray, shape (band,)
        The microphone's own background.
    band_hz : ndarray, shape (band,)

    Returns
    -------
    ndarray, shape (frame,)

    References
    ----------
    Band-wise signal-to-noise with the spreading function of Schroeder, Atal and Hall (1979); shares of loudness by
    Stevens' power law. The weighted sum is this project's own.
    """
    cover = np.maximum(covered_db(music_db, band_hz), floor_db[:, None])
    share = np.where(noise_db > floor_db[:, None], 10 ** (LOUDNESS_EXPONENT * noise_db / 10), 0.0)
    over = (share * np.maximum(noise_db - cover, 0.0)).sum(axis=0)
    return np.asarray(over / np.maximum(share.sum(axis=0), 1e-12))


def exposure(audible: float) -> float:
    """Return how far a noise is exposed: 0 at 2 dB over what covers it, a half at 6 dB, halving every 4 dB after.

    exposed = 1 - 2^(-(x - 2) / 4); a rule of this project (no source), monotone in x.
    """
    return float(1 - 2 ** (-max(0.0, audible - 2.0) / 4.0))


def over_decay(exposed: float) -> float:
    """Return the excess in dB that ``exposure`` made ``exposed`` of."""
    return float(2.0 - 4.0 * np.log2(max(1e-9, 1.0 - exposed)))
