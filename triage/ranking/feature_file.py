"""A session's features as bytes for the store, and back: compressed safetensors, which hold no code."""

import json
import zlib
from typing import Any

import numpy as np
import safetensors.numpy
from safetensors import SafetensorError

from triage.domain.errors import JudgeError
from triage.domain.judgement import SerialisedFeatures
from triage.domain.spot import Spot
from triage.judge.cohorts import Expectation
from triage.judge.features import NoteFeatures
from triage.judge.note_table import NoteTable
from triage.ranking.findings import Finding
from triage.ranking.session_features import SessionFeatures
from triage.ranking.up_to_date import features_key

LEVEL = 1  # of compression: a third off at little cost
MOST_BYTES = 2**28  # uncompressed: fifty times what a long session needs
TEXT_COLUMNS = ("take", "instrument", "articulation", "dynamic", "mic")
NUMBER_COLUMNS = ("number", "pitch", "start_s", "end_s", "ring_end_s")
GROUPS = ("values", "errors", "activation_peak", "activation_mean", "activation_peak_s")


def to_bytes(features: SessionFeatures) -> SerialisedFeatures:
    """Return features as the store keeps them."""
    table, notes = features.table, features.notes
    arrays = {name: getattr(table, name) for name in NUMBER_COLUMNS}
    for group in GROUPS:
        arrays |= {f"{group}/{name}": column for name, column in getattr(table, group).items()}
    for name, one in notes.deviations.items():
        parts = {"z": one.z, "expected": one.expected, "scale": one.scale}
        arrays |= {f"{part}/{name}": values.astype(np.float32) for part, values in parts.items()}
    arrays |= {
        "matrix": notes.matrix.astype(np.float32),
        "outlier": notes.outlier.astype(np.float32),
        "relative": features.relative.astype(np.float16),
    }
    other = {
        "names": notes.names,
        "lengths_s": features.lengths_s,
        "findings": [[list(vars(one.spot).values()), *one[1:]] for one in features.findings],
        "columns": {name: getattr(table, name).tolist() for name in TEXT_COLUMNS},
    }
    arrays["other"] = np.frombuffer(json.dumps(other).encode(), np.uint8)
    arrays = {name: np.ascontiguousarray(array) for name, array in arrays.items()}
    return SerialisedFeatures(features_key(), zlib.compress(safetensors.numpy.save(arrays), LEVEL))


def from_bytes(data: bytes) -> SessionFeatures | None:
    """Return kept features; None where the bytes are damaged, too many or no features: they are then built anew."""
    decompressor = zlib.decompressobj()
    try:
        whole = decompressor.decompress(data, MOST_BYTES)
        return None if decompressor.unconsumed_tail else _features(safetensors.numpy.load(whole))
    except (zlib.error, SafetensorError, ValueError, KeyError, TypeError, MemoryError, JudgeError):
        return None


def _features(arrays: dict[str, np.ndarray]) -> SessionFeatures:
    other = json.loads(arrays["other"].tobytes())
    matrix = arrays["matrix"].astype(float)
    unknown = np.full(len(matrix), np.nan)

    def group(name: str) -> dict[str, np.ndarray]:
        return {key.partition("/")[2]: array for key, array in arrays.items() if key.partition("/")[0] == name}

    expected, scale = group("expected"), group("scale")
    deviations = {
        name: Expectation(expected[name].astype(float), scale[name].astype(float), z.astype(float), unknown)
        for name, z in group("z").items()
    }
    columns: dict[str, Any] = {name: arrays[name] for name in NUMBER_COLUMNS} | {name: group(name) for name in GROUPS}
    columns |= {name: np.array(other["columns"][name], dtype=str) for name in TEXT_COLUMNS}
    return SessionFeatures(
        NoteTable(**columns, embedding=np.zeros((len(matrix), 0))),
        NoteFeatures(deviations, arrays["outlier"].astype(float), tuple(other["names"]), matrix),
        arrays["relative"].astype(float),
        other["lengths_s"],
        tuple(Finding(Spot(*spot), *rest) for spot, *rest in other["findings"]),
    )
