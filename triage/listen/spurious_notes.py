"""Strays: what was cut as a note and is a noise, known by how unlike the take's other notes it is.

Frames of the judging microphone (mel, frame) in dB and the notes go in; the notes without the strays come out. A take
holds notes of one instrument near to one another in pitch: their spectra are alike, a knock's or a cough's is not.
"""

from collections.abc import Sequence

import numpy as np

from triage.listen.logmel import HOP_S
from triage.listen.notes import NoteSegment, floor_db

ALIKE = 3  # other notes that a note is compared with
LEAST_NOTES = 4  # to know what is usual
UNLIKE_SPARE, UNLIKE = 0.15, 0.3  # likeness less than the usual one: of a note too many, and of any
SOFT_SPARE = (0.05, 7.0)  # a note too many that is so unlike, and so many dB softer than usual
SOFTER_DB = 6.0  # than usual, where the sheet does not say that one is too many
SPAN_S = 0.4  # of a note's start that is compared


def likeness(frames: np.ndarray, notes: Sequence[NoteSegment]) -> np.ndarray:
    """Return how alike each note's spectrum is to those of the take's notes most like it.

    The mean of the three highest Pearson correlations with other notes, of the levels over the floor in all bands,
    averaged over the first 0.4 s.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Levels in dB.
    notes : sequence of Note

    Returns
    -------
    ndarray, shape (note,)
        From -1 to 1; 1 for all where there are fewer than LEAST_NOTES.
    """
    if len(notes) < LEAST_NOTES:
        return np.ones(len(notes))
    over = np.maximum(frames - floor_db(frames)[:, None], 0.0)
    spectra = []
    for note in notes:
        first = min(round(note.start_s / HOP_S), frames.shape[1] - 1)
        last = max(first + 1, round(min(note.end_s, note.start_s + SPAN_S) / HOP_S))
        spectra.append(over[:, first:last].mean(axis=1) + 1e-6 * np.arange(len(over)))  # never quite flat
    same = np.corrcoef(np.stack(spectra))
    np.fill_diagonal(same, -1.0)
    return np.asarray(np.sort(same, axis=1)[:, -ALIKE:].mean(axis=1))


def without_spurious(frames: np.ndarray, notes: Sequence[NoteSegment], meant: int) -> list[NoteSegment]:
    """Return the notes that are notes.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
    notes : sequence of Note
    meant : int
        How many the take sheet asks for; 0 where it does not say.

    Returns
    -------
    list of Note
        Of notes too many the most unlike go, if they are clearly unlike the others; of no more than meant, only what
        is far from all others and softer.
    """
    alike = likeness(frames, notes)
    usual = float(np.median(alike)) if len(alike) else 1.0
    level = float(np.median([note.level_db for note in notes])) if notes else 0.0
    spare = max(0, len(notes) - meant) if meant else 0
    gone: set[int] = set()
    for at in (int(k) for k in np.argsort(alike)):
        softer_db = level - notes[at].level_db
        soft = alike[at] < usual - SOFT_SPARE[0] and softer_db > SOFT_SPARE[1]
        few = len(gone) < spare and (soft or alike[at] < usual - UNLIKE_SPARE)
        odd = alike[at] < usual - UNLIKE and softer_db > SOFTER_DB and not meant
        if few or odd:
            gone.add(at)
    return [note for at, note in enumerate(notes) if at not in gone]
