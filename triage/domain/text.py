"""Values as people and programs read them: one-line text, rounded numbers, CSV."""

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

FORMULA_STARTS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the last four as they are typed in East Asia
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


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Return rows as CSV with numbers rounded; nothing in it is a formula to a spreadsheet."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_safe(rounded(name, cell)) for name, cell in zip(header, row, strict=True)] for row in rows)
    return text.getvalue()


def _safe(cell: Any) -> Any:
    if not isinstance(cell, str):
        return cell
    # A bare carriage return would go out unquoted, and readers take it for the end of the row.
    text = cell.replace("\r\n", "\n").replace("\r", "\n")
    return f"'{text}" if cell.lstrip(" ").startswith(FORMULA_STARTS) and not _is_number(cell) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
