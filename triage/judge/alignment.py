"""Alignment of the notes that were found with the expected pitches.

Found pitches (MIDI, fractional, NaN where unpitched) and the sheet's pitches go in; pairs come out, with the
missing and the extra ones. Also the constant by which a whole sheet is off, where written pitch or another
octave convention was typed.
"""

import numpy as np

WRONG_COST = 0.9  # a semitone or more away: cheaper than one note missing and one too many
GAP_COST = 0.7
UNPITCHED_COST = 0.35
RIGHT_SEMITONES = 0.6


def align(found: np.ndarray, expected: tuple[int, ...]) -> tuple[list[int | None], list[int]]:
    """Return for each found note the place of its pitch on the sheet, and the places that nothing fits.

    Global alignment by dynamic programming (Needleman and Wunsch, J. Mol. Biol. 48, 1970); ties prefer a pair to
    a gap, so that the same input gives the same pairs.

    Parameters
    ----------
    found : ndarray, shape (n_notes,)
        MIDI pitch of each note, NaN where unknown.
    expected : tuple of int
        MIDI pitches in the order played, repetitions written out.

    Returns
    -------
    place : list of int or None, length n_notes
        Index into ``expected``; None for an extra note.
    missing : list of int
        Indices into ``expected`` without a note.
    """
    pair = _pair_cost(found, expected)
    n, m = pair.shape
    cost = np.zeros((n + 1, m + 1))
    cost[:, 0], cost[0, :] = np.arange(n + 1) * GAP_COST, np.arange(m + 1) * GAP_COST
    for i in range(1, n + 1):
        for j in range(1, m + 1):
            cost[i, j] = min(
                cost[i - 1, j - 1] + pair[i - 1, j - 1], cost[i - 1, j] + GAP_COST, cost[i, j - 1] + GAP_COST
            )
    place: list[int | None] = [None] * n
    i, j = n, m
    while i and j:
        if cost[i, j] == cost[i - 1, j - 1] + pair[i - 1, j - 1]:
            place[i - 1] = j - 1
            i, j = i - 1, j - 1
        elif cost[i, j] == cost[i - 1, j] + GAP_COST:
            i -= 1
        else:
            j -= 1
    used = {p for p in place if p is not None}
    return place, [j for j in range(m) if j not in used]


def _pair_cost(found: np.ndarray, expected: tuple[int, ...]) -> np.ndarray:
    away = np.abs(np.asarray(found, float)[:, None] - np.asarray(expected, float)[None, :])
    cost = np.where(away < RIGHT_SEMITONES, 0.1 * away, WRONG_COST + 0.005 * np.minimum(away, 40.0))
    return np.where(np.isnan(away), UNPITCHED_COST, cost)


def sheet_offset(differences: np.ndarray) -> int:
    """Return the whole number of semitones by which an instrument sounds off its sheet, 0 if it does not.

    Parameters
    ----------
    differences : ndarray, shape (n_notes,)
        Found minus expected, in semitones, over all takes whose note count fits; NaN left out.

    Returns
    -------
    int
        The most common rounded difference, if two thirds of at least 6 notes share it: sheets in written pitch
        or in another octave convention are off by one constant, wrong notes are not.
    """
    known = np.round(differences[np.isfinite(differences)]).astype(int)
    if len(known) < 6:
        return 0
    values, counts = np.unique(known, return_counts=True)
    best = int(counts.argmax())
    return int(values[best]) if counts[best] >= 2 / 3 * len(known) else 0
