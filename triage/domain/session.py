"""A recording session, as its folder describes it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True)
class Session:
    """One session as it is taken in; the name is what people call it and is unique in a store."""

    name: str
    folder: str
    date: date
    sample_rate_hz: int | None
    a4_hz: float
    reference_mic: str | None
    # Microphone -> level in dB SPL of a tone whose peaks just reach full scale, where the engineer measured it.
    full_scale_db_spl: Mapping[str, float] | None = field(default=None, kw_only=True)
