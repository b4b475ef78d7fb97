"""Spurious notes: segments that are noises, recognised by how unlike the take's other notes they are.

Frames of the reference microphone (mel, frame) in dB and the notes go in; the notes without spurious ones come out. A
take holds notes of one instrument near to one another in pitch: their spectra are alike, a knock's or a cough's is
not.
"""

from collections.abc import Sequence

import numpy as np

from triage.domain.note import Note
from triage.listen.logmel import HOP_S
from triage.listen.notes import NoteSegment, floor_db

ALIKE = 3  # other notes that a note is compared with
LEAST_NOTES = 4  # to know what is usual
UNLIKE_SURPLUS, UNLIKE = 0.15, 0.3  # likeness below the usual one: of a surplus note, and of any
SOFT_SURPLUS = (0.05, 7.0)  # a surplus note that is so unlike, and so many dB softer than usual
SOFTER_DB = 6.0  # than usual, where the sheet does not give the number of notes
SPAN_S = 0.4  # of a note's start that is compared
LONGEST_BURST_S, LEAD_IN_S = 0.4, 0.8  # a sound without pitch before a note that belongs to playing it
LEAST_HARMONICITY_DB = 3.0


def likeness(frames: np.ndarray, notes: Sequence[NoteSegment]) -> np.ndarray:
    """Return how alike each note's spectrum is to those of the take's notes most like it.

    The mean of the three highest Pearson correlations with other notes, of the levels over the floor in all bands,
    averaged over the first 0.4 s.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Levels in dB.
    notes : sequence of NoteSegment

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


def without_spurious(frames: np.ndarray, notes: Sequence[NoteSegment], expected: int) -> list[NoteSegment]:
    """Return the notes that are really played.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
    notes : sequence of NoteSegment
    expected : int
        How many the take sheet lists; 0 where it does not say.

    Returns
    -------
    list of NoteSegment
        Of surplus notes the most unlike are removed, if they are clearly unlike the others; without a surplus, only
        what is far from all others and softer.
    """
    alike = likeness(frames, notes)
    usual = float(np.median(alike)) if len(alike) else 1.0
    level = float(np.median([note.level_db for note in notes])) if notes else 0.0
    surplus = max(0, len(notes) - expected) if expected else 0
    removed: set[int] = set()
    for at in (int(k) for k in np.argsort(alike)):
        softer_db = level - notes[at].level_db
        soft = alike[at] < usual - SOFT_SURPLUS[0] and softer_db > SOFT_SURPLUS[1]
        few = len(removed) < surplus and (soft or alike[at] < usual - UNLIKE_SURPLUS)
        odd = alike[at] < usual - UNLIKE and softer_db > SOFTER_DB and not expected
        if few or odd:
            removed.add(at)
    return [note for at, note in enumerate(notes) if at not in removed]


def without_bursts(notes: list[Note], expected: int) -> list[Note]:
    """Return the notes without the sounds that precede one: a breath, a key, a valve.

    Of more notes than the take sheet asks for, those go that are short, have no pitch, and are followed by the next
    note within LEAD_IN_S; the shortest first. Where nothing else has a pitch either (drums), all stay.

    Parameters
    ----------
    notes : list of Note
    expected : int
        How many the take sheet asks for; 0 where it does not say.
    """
    pitched = sum(_has_pitch(note) for note in notes)
    spare = len(notes) - expected if expected and 2 * pitched >= expected else 0
    followers = [*notes[1:], None]
    bursts = [
        note
        for note, following in zip(notes, followers, strict=True)
        if following
        and not _has_pitch(note)
        and (note.end_s or note.start_s) - note.start_s < LONGEST_BURST_S
        and following.start_s - note.start_s < LEAD_IN_S
    ]
    bursts.sort(key=lambda note: (note.end_s or note.start_s) - note.start_s)
    gone = {note.number for note in bursts[: max(spare, 0)]}
    return [note for note in notes if note.number not in gone]


def _has_pitch(note: Note) -> bool:
    """Return whether a note has a pitch, and partials that stand out where that is known."""
    f0_hz, harmonicity_db = (note.measurements.get(name) or np.nan for name in ("f0_hz", "harmonicity_db"))
    return bool(f0_hz > 0 and not harmonicity_db < LEAST_HARMONICITY_DB)
