"""Encoding: the embeddings and activations of a take's notes, under the names that the store keeps them by.

Frames (mel, frame) of the microphone that a take is measured on go in, once; each note's vector comes out under the
encoder's name, and beside it under NAME/evidence the note's activations. Wiring: the network is in
``listen/encoder.py``, the note's numbers come from ``listen/note_activations.py``.
"""

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np

from triage.listen.embed import Encoder
from triage.listen.encoder import ACTIVATION_KINDS, PLAYED, TrainedEncoder, load_encoder, step_times
from triage.listen.note_activations import note_activations
from triage.listen.notes import NoteSegment

BESIDE = "/evidence"  # ends the name of what is kept beside a vector
PARTS = ("peak", "mean", "peak_s")


@cache
def encoder_in_use() -> Encoder:
    """Return the shipped encoder, loaded once a process."""
    return load_encoder()


def encode(encoder: Encoder, frames: np.ndarray, notes: Sequence[NoteSegment]) -> list[dict[str, np.ndarray]]:
    """Return name -> array for each note: its vector [shape=(dimension,)] and, of a trained encoder, its activations.

    The activations are kept flat, kind by kind, each as PARTS: log-odds, log-odds, s from the note's start.
    """
    if not notes:
        return []
    if not isinstance(encoder, TrainedEncoder):
        return [{encoder.name: vector} for vector in encoder.embed(frames, list(notes))]
    vectors, activations = encoder.encode(frames, notes)
    found = note_activations(activations, step_times(activations.shape[1]), notes, ACTIVATION_KINDS, PLAYED)
    found[:, :, 2] -= np.array([note.start_s for note in notes], np.float32)[:, None]
    pairs = zip(vectors, found, strict=True)
    return [{encoder.name: vector, encoder.name + BESIDE: own.ravel()} for vector, own in pairs]


def vector_name(many: Sequence[Mapping[str, np.ndarray]], wanted: str | None = None) -> str | None:
    """Return the encoder whose vectors are to be compared: the wanted one, else the one that encoded most notes."""
    names = [name for one in many for name in one if not name.endswith(BESIDE)]
    if wanted in names:
        return wanted
    return max(sorted(set(names)), key=names.count, default=None)


def activations_of(embeddings: Mapping[str, np.ndarray], encoder: str | None) -> np.ndarray:
    """Return a note's activations [shape=(kind, part)], as ACTIVATION_KINDS and PARTS; NaN where there is none."""
    flat = embeddings.get(f"{encoder}{BESIDE}")
    if flat is None or len(flat) != len(ACTIVATION_KINDS) * len(PARTS):
        return np.full((len(ACTIVATION_KINDS), len(PARTS)), np.nan)
    return np.asarray(flat, dtype=float).reshape(len(ACTIVATION_KINDS), len(PARTS))
