"""Clicks in the samples that are sounds of the room: a key, a valve, a note's own attack, heard by the microphones.

Places of clicks on all tracks, noise events and note starts go in; what is left are the clicks of the samples.
"""

from collections.abc import Sequence

import numpy as np

ATTACK_S = (-0.02, 0.1)  # around a note's start, and the way to a far microphone
EVENT_S = 0.05  # a click so long before an event's first step belongs to it
SAME_S = 0.001  # on two tracks so near in time: no sound, but the recorder
ATTACKS = 2  # clicks of a take in attacks: one may be chance


def of_the_samples(
    at_s: Sequence[float], tracks: Sequence[int], events_s: Sequence[tuple[float, float]], starts_s: Sequence[float]
) -> np.ndarray:
    """Return which clicks are faults of the samples, not sharp sounds that the microphones heard.

    A sound is what lies in an event that several microphones heard, and what lies in attacks, twice in a take or
    more. What is on two tracks at the same moment is the recorder's: sound takes its time from one to the other.

    Parameters
    ----------
    at_s, tracks : sequence
        Time and track of each click.
    events_s : sequence of (float, float)
        Start and end of each event heard by two microphones or more.
    starts_s : sequence of float
        Of the notes.

    Returns
    -------
    ndarray, shape (click,), bool
    """
    if not len(at_s):
        return np.zeros(0, bool)
    at, track, starts = np.asarray(at_s, float), np.asarray(tracks), np.asarray(starts_s, float)
    apart = np.abs(at[:, None] - at[None, :])
    together = ((apart <= SAME_S) & (track[:, None] != track[None, :])).any(axis=1)
    heard = np.array([any(start - EVENT_S <= one <= end for start, end in events_s) for one in at], bool)
    since = at[:, None] - starts[None, :]
    attack = ((since >= ATTACK_S[0]) & (since <= ATTACK_S[1])).any(axis=1)
    sound = heard | (attack & (attack.sum() >= ATTACKS))
    return np.asarray(together | ~sound, bool)
