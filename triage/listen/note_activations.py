"""Activations of each note: the encoder's activations over a take become a few numbers for every note.

Probabilities of noises and faults at each step (kind, step) and the take's notes go in; for each note and kind the
peak, the mean and the time of the peak come out. Nothing is judged here: the levels differ from one instrument to
another, so ``judge`` compares them with the note's neighbours as it does with any measurement.
"""

from collections.abc import Sequence

import numpy as np

from triage.domain.errors import AudioError
from triage.listen.notes import NoteSegment

LIMIT = 12.0  # log-odds beyond this are rounding errors of the network's half precision
BEFORE_S, AFTER_S = 0.08, 0.12  # around a note's sounding part, for faults of playing
NOISE_BEFORE_S = 0.15  # of the gap before a note; the rest of it belongs to the note before
RELEASE_S = (0.3, 0.8)  # before and after the end of the sounding part
LEAST_STEPS = 1


def note_activations(
    activations: np.ndarray,
    times_s: np.ndarray,
    notes: Sequence[NoteSegment],
    kinds: Sequence[str],
    played: Sequence[str],
) -> np.ndarray:
    """Return peak, mean and time of the peak of each kind of activation for each note.

    log-odds l = ln(p / (1 - p)); peak = max l, mean = mean l over the steps of the note's window. Windows: faults of
    playing, from 0.08 s before the start to 0.12 s after the sounding part; ``release``, 0.3 s before its end to 0.8
    s after; noises, from 0.15 s before the start to the next note's (or the take's end).

    Parameters
    ----------
    activations : ndarray, shape (kind, step)
        Probabilities, 0 to 1.
    times_s : ndarray, shape (step,)
        Centre of each step, s from the take's start.
    notes : sequence of NoteSegment
    kinds : sequence of str
        Name of each row.
    played : sequence of str
        The kinds that are faults of playing; all others are noises.

    Returns
    -------
    ndarray, shape (note, kind, 3), float32
        Peak and mean in log-odds, within +-12; the peak's time in s from the take's start.

    Raises
    ------
    AudioError
        If activations, times and kinds do not agree in shape.
    """
    if activations.shape != (len(kinds), len(times_s)) or not len(times_s):
        expected = f"({len(kinds)}, {len(times_s)}) and at least one step"
        raise AudioError(f"activations have shape {activations.shape}, expected (kind, step) = {expected}")
    p = np.clip(activations.astype(float), 1e-9, 1 - 1e-7)
    odds = np.clip(np.log(p / (1 - p)), -LIMIT, LIMIT)
    found = np.zeros((len(notes), len(kinds), 3), np.float32)
    for row, note in enumerate(notes):
        until_s = notes[row + 1].start_s - NOISE_BEFORE_S if row + 1 < len(notes) else np.inf
        for column, kind in enumerate(kinds):
            first, last = _window(kind, note, until_s, kind in played, times_s)
            part = odds[column, first:last]
            found[row, column] = part.max(), part.mean(), times_s[first + int(part.argmax())]
    return found


def _window(kind: str, note: NoteSegment, until_s: float, played: bool, times_s: np.ndarray) -> tuple[int, int]:
    """Return the first and past-last step of a note's window for one kind; at least one step."""
    from_s, to_s = note.start_s - BEFORE_S, note.end_s + AFTER_S
    if kind == "release":
        from_s, to_s = max(note.start_s, note.end_s - RELEASE_S[0]), note.end_s + RELEASE_S[1]
    elif not played:
        from_s, to_s = note.start_s - NOISE_BEFORE_S, max(until_s, note.end_s)
    first = min(int(np.searchsorted(times_s, from_s)), len(times_s) - LEAST_STEPS)
    return first, max(int(np.searchsorted(times_s, to_s, side="right")), first + LEAST_STEPS)
