"""Values as people and programs read them: one-line text, rounded numbers."""

import math
from collections.abc import Mapping
from typing import Any

FOUR_DECIMALS = ("doubt", "reject_probability", "outlier", "exposed")


def one_line(text: object) -> str:
    """Return text without line breaks and without characters that would steer a terminal."""
    return "".join(char if char.isprintable() else "?" for char in " ".join(str(text).split()))


def rounded(name: str, value: Any) -> Any:
    """Return a value as it is shown under ``name``; NaN and infinity, which JSON lacks, become None."""
    if isinstance(value, float):
        # Adding zero turns -0.0 into 0.0.
        return round(value, 4 if name in FOUR_DECIMALS else 3) + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: rounded(str(key), inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(name, inner) for inner in value]
    return value
