"""Packing: what was weighed of a session as bytes for the store, and back; reading them runs no code.

The bytes are a NumPy archive without pickled objects, deflated. FORM names what made them: bytes of another form are
never read, they are gathered anew.
"""

import json
import math
import zipfile
import zlib
from io import BytesIO
from typing import Any

import numpy as np

from triage import __version__
from triage.analysis.encoding import encoder_in_use
from triage.domain.errors import JudgeError
from triage.domain.judgement import SerialisedFeatures
from triage.domain.spot import Spot
from triage.judge.cohorts import Expectation
from triage.judge.features import Evidence
from triage.judge.note_table import NoteTable
from triage.ranking.findings import Finding
from triage.ranking.scoring import Weighed

FORM = "1"  # of the evidence and of its packing: another one where judge/features.py gathers otherwise
LEVEL = 1  # of deflating: a third off at little cost
MOST_BYTES = 2**29  # unpacked: a hundred times what a long session needs
COLUMNS = (
    "take",
    "number",
    "instrument",
    "articulation",
    "dynamic",
    "mic",
    "pitch",
    "start_s",
    "end_s",
    "ring_end_s",
)
GROUPS = ("values", "heard", "heard_mean", "heard_s")


def form_in_use() -> str:
    """Return the form of evidence that this tool makes, with its encoder."""
    return f"{FORM} of {__version__}, {encoder_in_use().name}"


def packed(weighed: Weighed) -> SerialisedFeatures:
    """Return what was weighed as the store keeps it."""
    table, evidence = weighed.table, weighed.evidence
    arrays: dict[str, np.ndarray] = {name: getattr(table, name) for name in COLUMNS}
    for group in GROUPS:
        arrays |= {f"{group}/{name}": column for name, column in getattr(table, group).items()}
    arrays |= {f"z/{name}": one.z.astype(np.float32) for name, one in evidence.deviations.items()}
    arrays |= {f"expected/{name}": one.expected.astype(np.float32) for name, one in evidence.deviations.items()}
    arrays |= {
        "matrix": evidence.matrix.astype(np.float32),
        "outlier": evidence.outlier.astype(np.float32),
        "relative": weighed.relative.astype(np.float16),
    }
    words = {
        "names": evidence.names,
        "lengths_s": weighed.lengths_s,
        "findings": [[list(vars(one.spot).values()), *one[1:]] for one in weighed.findings],
    }
    file = BytesIO()
    arrays["words"] = np.frombuffer(json.dumps(words).encode(), np.uint8)
    np.savez(file, **arrays)  # type: ignore[arg-type]  # NumPy takes every name but allow_pickle for an array
    return SerialisedFeatures(form_in_use(), zlib.compress(file.getvalue(), LEVEL))


def unpacked(data: bytes) -> Weighed | None:
    """Return what was weighed of a session; None where the bytes are torn or none of it: then it is gathered anew.

    Bytes that would swell beyond ``MOST_BYTES``, or say that they would, count as none of it.
    """
    try:
        whole = zlib.decompressobj().decompress(data, MOST_BYTES)
        with zipfile.ZipFile(BytesIO(whole)) as archive:
            if sum(max(member.file_size, _claimed(archive, member)) for member in archive.infolist()) > MOST_BYTES:
                return None
        with np.load(BytesIO(whole), allow_pickle=False) as arrays:
            return _weighed({name: arrays[name] for name in arrays.files})
    except (
        zlib.error,
        zipfile.BadZipFile,
        ValueError,
        KeyError,
        OSError,
        EOFError,
        TypeError,
        MemoryError,
        JudgeError,
    ):
        return None


def _claimed(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> int:
    """Return how many bytes an array says it has: NumPy makes room for as many before it reads one."""
    with archive.open(member) as file:
        np.lib.format.read_magic(file)
        shape, _, dtype = np.lib.format.read_array_header_1_0(file)
    return math.prod(shape) * dtype.itemsize


def _weighed(arrays: dict[str, np.ndarray]) -> Weighed:
    words = json.loads(arrays["words"].tobytes())
    matrix = arrays["matrix"].astype(float)
    unsaid = np.full(len(matrix), np.nan)

    def group(name: str) -> dict[str, np.ndarray]:
        return {key.partition("/")[2]: array for key, array in arrays.items() if key.startswith(f"{name}/")}

    expected = group("expected")
    deviations = {
        name: Expectation(expected[name].astype(float), unsaid, z.astype(float), unsaid)
        for name, z in group("z").items()
    }
    columns: dict[str, Any] = {name: arrays[name] for name in COLUMNS} | {name: group(name) for name in GROUPS}
    return Weighed(
        NoteTable(**columns, embedding=np.zeros((len(matrix), 0))),
        Evidence(deviations, arrays["outlier"].astype(float), tuple(words["names"]), matrix),
        arrays["relative"].astype(float),
        words["lengths_s"],
        tuple(Finding(Spot(*spot), *rest) for spot, *rest in words["findings"]),
    )
