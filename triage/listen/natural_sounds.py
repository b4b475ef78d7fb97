"""Natural sounds of playing, told from noises: by what the noise network heard, and by where the sound came from.

A breath, a key or a bow comes from where the notes come from: it reaches every microphone as much later or earlier
than the others as the notes do. A creak comes from somewhere else. Arrival times go in as of ``nearest_mic.later_s``.
"""

import numpy as np

from triage.listen.hits import SURE, NoiseEvent

AT_PLAYER_S, ELSEWHERE_S = (
    0.0012,
    0.003,
)  # 40 cm, the player's moving about; 1 m, which no instrument's keys are from it
LEAST_NOISE = 0.05  # a natural sound that the network is so sure of needs no second look
# How much likelier a noise is, once the network was heard, where a sound seems to come from the player, from
# elsewhere, or where arrival times say nothing. On development sessions of players with breaths and keys, 12 of the
# 17 sounds that led into a note at the player's place, 50 to 97 % sure to be noises, were sounds of playing; and so
# were 2 of the 3 that were 5 to 15 % sure and seemed to come from elsewhere.
FROM_PLAYER, FROM_ELSEWHERE, FROM_ANYWHERE = 0.05, 8.0, 3.0


def away_from_player_s(later_s: np.ndarray, lag_s: np.ndarray) -> float:
    """Return by how much a sound's arrival times differ from those of the notes, at most over pairs of microphones.

    Parameters
    ----------
    later_s : ndarray, shape (mic, mic)
        How much later the sound arrives at each microphone than at each other one.
    lag_s : ndarray, shape (mic,)
        How late the notes arrive.

    Returns
    -------
    float
        In seconds; NaN where no pair is known.
    """
    pairs = np.triu_indices(len(lag_s), 1)
    away = np.abs(later_s - (lag_s[:, None] - lag_s[None, :]))[pairs]
    return float(np.nanmax(away)) if np.isfinite(away).any() else float("nan")


def noise_odds(event: NoiseEvent, away_s: float) -> float:
    """Return the odds that an event is a noise: the network's, times what the place it comes from says.

    Parameters
    ----------
    event : NoiseEvent
    away_s : float
        Of ``away_from_player_s``; NaN where unknown.
    """
    if not np.isfinite(away_s):
        factor = FROM_ANYWHERE
    else:
        factor = FROM_PLAYER if away_s <= AT_PLAYER_S else FROM_ELSEWHERE if away_s > ELSEWHERE_S else 1.0
    return event.sure / max(1 - event.sure, 1e-6) * factor


def is_natural(event: NoiseEvent, away_s: float) -> bool:
    """Return whether an event is a natural sound of playing, not a noise.

    What leads into no note and is sure to be no sound of playing is a noise wherever it comes from: players' chairs
    creak too.
    """
    near = event.leads_in or event.played >= SURE
    return near and noise_odds(event, away_s) <= 1.0
