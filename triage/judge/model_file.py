"""Model files: what a skops file holds, read without running any code of it and without exhausting the memory.

In: the bytes of a file, perhaps from an untrusted source. Out: its parts. skops names types it does not trust
instead of loading them; what this module adds is a limit on what a small file may decompress to.
"""

import zipfile
from io import BytesIO
from typing import Any

import skops.io

MOST_BYTES = 200_000_000  # decompressed; a real one has less than two million


def renamed_kinds(certain: dict[str, float]) -> dict[str, float]:
    """Return certainties by kind: digital clicks were called clicks in models made before they had a kind."""
    return {"digital-click" if kind == "click" else kind: share for kind, share in certain.items()}


def read_parts(data: bytes, trusted: list[str]) -> dict[str, Any]:
    """Return the parts that a model file was written from.

    Parameters
    ----------
    data : bytes
        Of a skops file.
    trusted : list of str
        Types that may be in it beside those that skops itself trusts.

    Returns
    -------
    dict of str to any

    Raises
    ------
    Exception
        Of any kind on a malformed file: the caller names the file in a message of one line.
    """
    with zipfile.ZipFile(BytesIO(data)) as archive:
        size = sum(entry.file_size for entry in archive.infolist())
    if size > MOST_BYTES:
        raise ValueError(f"it decompresses to {size} bytes, more than {MOST_BYTES}")
    parts = skops.io.loads(data, trusted=trusted)
    if not isinstance(parts, dict):
        raise ValueError(f"it holds a {type(parts).__name__}, not the parts of a model")
    return parts
