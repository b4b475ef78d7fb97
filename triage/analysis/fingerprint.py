"""Fingerprints: whether the store holds a take as it stands, told without loading what analyses it."""

import hashlib
from functools import cache

from triage.domain.code_key import code_key
from triage.intake.arrivals import TakeFiles
from triage.listen.cards import detector_name, encoder_name


@cache
def analysis_key() -> str:
    """Return a key of the code and the noise network: when it changes all takes are analysed anew."""
    own = code_key("triage.analysis", "triage.listen", "triage.intake.wav", "triage.intake.recording_time")
    return f"{own} {detector_name()}"


def fingerprint(take: TakeFiles, reference_mic: str, a4_hz: float, encoder: str | None = None) -> str:
    """Return a text that changes when a file of the take, or what its analysis depends on, changes.

    Of its row of the sheet that is which pitches there are and how many notes; ``encoder`` is one's name, the shipped
    one's if not given.
    """
    row = take.sheet_row
    asked = f"{len(row.pitches) * max(row.repetitions or 1, 1)} of {sorted(set(row.pitches))}"
    parts = [analysis_key(), reference_mic, f"{a4_hz:g}", encoder or encoder_name(), asked]
    parts += [f"{t.mic} {t.path} {t.channel} {t.facts.size_bytes} {t.facts.mtime_ns}" for t in take.tracks]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]
