"""Embeddings: one vector per note from its log-mel frames.

``FixedEmbedding`` needs no training: the level-free spectral shape of six segments of the note, each as mel
cepstrum. Any encoder with the same ``name``, ``dimension`` and ``embed`` takes its place.
"""

from typing import Protocol

import numpy as np
from scipy.fft import dct

from triage.domain.errors import AudioError
from triage.listen.logmel import HOP_S, N_MELS
from triage.listen.notes import NoteSegment

N_CEPSTRA = 20
RANGE_DB = 60.0  # below the note's own peak there is the room and the noise floor, not playing


class Encoder(Protocol):
    """What turns the frames of a take into one vector per note."""

    name: str
    dimension: int

    def embed(self, frames: np.ndarray, notes: list[NoteSegment]) -> np.ndarray:
        """Return one vector per note [shape=(note, dimension)] from frames [shape=(mel, frame)] in dB."""
        ...


class FixedEmbedding:
    """Mel cepstra of the attack (0-50, 50-120, 120-250 ms), both halves of the held part, and the release.

    c[s, q] = DCT-II over the mel bands of the mean of max(L - L_peak, -60 dB) over segment s, q < 20, divided
    by 10 dB. Subtracting the note's peak takes its level out; c[s, 0] keeps each segment's level under the peak.
    Mel cepstra: Davis and Mermelstein, IEEE Trans. ASSP 28(4), 1980.
    """

    name = "mel-cepstra-1"
    dimension = 6 * N_CEPSTRA

    def embed(self, frames: np.ndarray, notes: list[NoteSegment]) -> np.ndarray:
        """Return one vector per note.

        Parameters
        ----------
        frames : ndarray, shape (mel, frame)
            Levels in dB of the reference microphone.
        notes : list of NoteSegment

        Returns
        -------
        ndarray, shape (note, dimension), float32

        Raises
        ------
        AudioError
            If frames are not (N_MELS, frame).
        """
        if frames.ndim != 2 or frames.shape[0] != N_MELS:
            raise AudioError(f"frames have shape {frames.shape}, expected ({N_MELS}, frame)")
        vectors = [self._vector(frames, note) for note in notes]
        return np.array(vectors, dtype=np.float32).reshape(len(notes), self.dimension)

    @staticmethod
    def _vector(frames: np.ndarray, note: NoteSegment) -> np.ndarray:
        start, end = note.start_s, max(note.end_s, note.start_s + 0.08)
        half = (start + end) / 2
        segments = [
            (start, start + 0.05),
            (start + 0.05, start + 0.12),
            (start + 0.12, start + 0.25),
            (start + 0.1, half),
            (half, end - 0.05),
            (end, end + 0.15),
        ]
        last = frames.shape[1] - 1
        means = []
        for from_s, to_s in segments:
            first = min(max(0, round(from_s / HOP_S)), last)
            means.append(frames[:, first : max(first + 1, min(last + 1, round(to_s / HOP_S)))].mean(axis=1))
        shape = np.stack(means)  # (segment, mel)
        shape = np.maximum(shape - shape.max(), -RANGE_DB) / 10.0
        return dct(shape, type=2, norm="ortho", axis=1)[:, :N_CEPSTRA].ravel()
