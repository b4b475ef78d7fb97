"""The table of notes that a session is judged from, one row a note."""

from dataclasses import dataclass, field

import numpy as np

from triage.domain.errors import JudgeError


@dataclass(frozen=True)
class NoteTable:
    """Columns of equal length, one row a note; strings are empty and numbers NaN where nothing is known."""

    take: np.ndarray
    number: np.ndarray
    instrument: np.ndarray
    articulation: np.ndarray
    dynamic: np.ndarray
    mic: np.ndarray  # that the note was measured on
    pitch: np.ndarray  # MIDI, the sheet's or the nearest
    start_s: np.ndarray
    end_s: np.ndarray
    ring_end_s: np.ndarray
    values: dict[str, np.ndarray]
    embedding: np.ndarray  # (note, dimension)
    errors: dict[str, np.ndarray] = field(default_factory=dict)  # standard errors of the values, where known
    # The encoder's activations by kind: log-odds at their peak and over the note, and where that peak lies
    # (s from the take's start).
    activation_peak: dict[str, np.ndarray] = field(default_factory=dict)
    activation_mean: dict[str, np.ndarray] = field(default_factory=dict)
    activation_peak_s: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        columns = {name: value for name, value in vars(self).items() if not isinstance(value, dict)}
        for group in (self.values, self.errors, self.activation_peak, self.activation_mean, self.activation_peak_s):
            columns |= group
        for name, column in columns.items():
            if len(column) != len(self.take):
                rows = f"{len(column)} rows, take has {len(self.take)}"
                raise JudgeError(f"column {name} has {rows}: pass one row a note")

    def __len__(self) -> int:
        return len(self.take)

    def cohort(self, *columns: str) -> np.ndarray:
        """Return one label a note of the named columns [shape=(note,)]."""
        joined = np.array(["\x1f".join(parts) for parts in zip(*(getattr(self, c) for c in columns), strict=True)])
        return joined if len(joined) else np.zeros(0, dtype="U1")
