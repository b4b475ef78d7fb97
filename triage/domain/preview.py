"""What the desk draws of one track."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Preview:
    """What is drawn of one track: bytes as ``listen/preview.py`` makes them, and what a column stands for."""

    mic: str
    wave: bytes
    wave_hop_s: float
    picture: bytes
    picture_hop_s: float
    low_hz: float
    high_hz: float
    contours: bytes | None = None
