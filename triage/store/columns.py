"""Columns: the few kinds of value that the tables hold, cleaned once on their way in.

Words  text; what no database takes (a file name that is not UTF-8, a NUL byte) is written out as an escape
Whole  whole number of up to 64 bits, numpy's too
Real   number; NaN and infinity become NULL, for neither is JSON and each database sorts them its own way
UtcTime  a moment with its time zone, kept and given back in UTC
"""

import math
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import BigInteger, DateTime, Float, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator


class Words(TypeDecorator[str]):
    """Text that every database can hold."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Write lone surrogates and NUL as escapes, so that one odd file name does not stop an intake."""
        if value is None:
            return None
        return str(value).encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")


class Whole(TypeDecorator[int]):
    """Whole number; a file's size or time of change needs 64 bits."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> int | None:
        """Turn numpy's whole numbers into Python's, which the drivers know."""
        return None if value is None else int(value)


class Real(TypeDecorator[float]):
    """Number with a fraction, or NULL where it is unknown."""

    impl = Float
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> float | None:
        """Turn NaN and infinity into NULL, and numpy's numbers into Python's."""
        number = math.nan if value is None else float(value)
        return number if math.isfinite(number) else None


class UtcTime(TypeDecorator[datetime]):
    """A moment; SQLite forgets the time zone, so all are kept in UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn any moment into UTC."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Give the time zone back where the database forgot it."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
