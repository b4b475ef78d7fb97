"""Session features: all that a model needs to judge the notes and takes of a session. Analysed takes in.

Building them takes long, judging by them does not: the store keeps them for the next model (``feature_file.py``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from triage.domain.hit import Hit
from triage.domain.take import Take
from triage.judge.cohorts import Expectation
from triage.judge.features import COHORT, NoteFeatures, note_features
from triage.judge.note_table import NoteTable
from triage.judge.relative_vectors import relative_vectors
from triage.ranking.findings import Finding, findings_of
from triage.ranking.note_table import nearby_noise, note_table, rows_by_note

AROUND_S = 0.15  # of a sound: the encoder places its peak to some frames


@dataclass(frozen=True)
class SessionFeatures:
    """What is known of the notes and takes of a session beside what a model makes of it.

    Numbers have the precision that the store keeps, so that a model gives the same result whether they were just
    built or loaded. ``relative`` (note, dimension) has no columns where nothing was embedded.
    """

    table: NoteTable
    notes: NoteFeatures
    relative: np.ndarray
    lengths_s: dict[str, float | None]  # of every take
    findings: tuple[Finding, ...]


def session_features(
    takes: Sequence[Take],
    missing: Mapping[str, list[int]],
    broken: Mapping[str, list[str]],
    left_out: Mapping[str, Sequence[Hit]] | None = None,
) -> SessionFeatures:
    """Build the features of a session.

    Parameters
    ----------
    takes : sequence of Take
        As ``place`` returns them.
    missing : mapping of str to list of int
        Take to the pitches without a note.
    broken : mapping of str to list of str
        Take to a line for each of its files that cannot be used.
    left_out : mapping of str to sequence of Hit
        Take to the sounds that are no fault: what the encoder heard of them with a note is left out too.
    """
    table = without_sounds(note_table(takes), left_out or {})
    notes = note_features(table, nearby_noise(takes, table))
    relative = np.zeros((len(table), 0))
    if np.isfinite(table.embedding).any():
        relative = relative_vectors(table.embedding, table.cohort(*COHORT), table.pitch, table.take)
    return SessionFeatures(
        replace(table, embedding=np.zeros((len(table), 0))),
        at_stored_precision(notes),
        relative.astype(np.float16).astype(float),
        {take.name: take.duration_s for take in takes},
        tuple(findings_of(takes, rows_by_note(table), missing, broken)),
    )


def without_sounds(table: NoteTable, left_out: Mapping[str, Sequence[Hit]]) -> NoteTable:
    """Return the table without the encoder's noise where it was clearest at a sound that is no fault."""
    if "noise" not in table.activation_mean:
        return table
    heard = table.activation_mean["noise"].copy()
    for row, at_s in enumerate(table.activation_peak_s["noise"].tolist()):
        for hit in left_out.get(str(table.take[row]), ()):
            if hit.start_s - AROUND_S <= at_s <= hit.end_s + AROUND_S:
                heard[row] = np.nan
    return replace(table, activation_mean=table.activation_mean | {"noise": heard})


def at_stored_precision(notes: NoteFeatures) -> NoteFeatures:
    """Return features at the precision of the store."""
    unknown = np.full(len(notes.outlier), np.nan)
    deviations = {
        name: Expectation(_float32(one.expected), _float32(one.scale), _float32(one.z), unknown)
        for name, one in notes.deviations.items()
    }
    return NoteFeatures(deviations, _float32(notes.outlier), notes.names, _float32(notes.matrix))


def _float32(values: np.ndarray) -> np.ndarray:
    return values.astype(np.float32).astype(float)
