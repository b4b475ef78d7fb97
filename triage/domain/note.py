"""A played note with its measurements and embeddings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # what only lists notes does without
    import numpy as np


@dataclass(frozen=True)
class Note:
    """One played note: when it sounds, its pitch and that of the sheet, measurements and embeddings by name.

    ``measurements`` may lack names of MEASUREMENTS (they are stored as unknown) but may not hold others;
    ``errors`` are the standard errors of those where one is known, in the same units;
    ``embeddings`` is encoder name -> vector, shape (dimension,); float16 is kept, all else becomes float32.
    """

    number: int
    start_s: float
    end_s: float
    ring_end_s: float | None = None
    pitch_midi: int | None = None
    sheet_midi: int | None = None
    measurements: Mapping[str, float | None] = field(default_factory=dict)
    embeddings: Mapping[str, "np.ndarray"] = field(default_factory=dict)
    errors: Mapping[str, float] = field(default_factory=dict)
