"""Note curves: the level of one note over time, to draw it beside its neighbours; as the measurements take it.

In: a cut around the note, its onset and pitch. Out: RMS levels in dBFS, one every ``HOP_S``, over whole periods of
the pitch and without what lies below it, so that the curve stands where ``level_dbfs`` says; or loudness in LUFS,
which stands where ``loudness_lufs`` says; or brightness in Hz, as ``centroid_hz``.
"""

from typing import NamedTuple

import numpy as np

from triage.audition.excerpts import Cut
from triage.domain.errors import AudioError
from triage.listen import tone
from triage.listen.envelope import rms_envelope_db
from triage.listen.loudness import MOMENTARY_S, momentary_lufs
from triage.listen.measure import BELOW_NOTE, LEAD_S, LONGEST_S, without_rumble

HOP_S = 0.005
BRIGHTNESS_HOP_S, BRIGHTNESS_S = 0.04, 3.0  # a spectrum takes time: fewer values, and no more than the first seconds
QUIETEST_DBFS = -120.0  # what digital silence is drawn at


class LevelCurve(NamedTuple):
    """Levels in dBFS, loudness in LUFS or brightness in Hz, from ``from_s`` of the take on."""

    from_s: float
    hop_s: float
    level: np.ndarray


def loudness_curve(segment: Cut, lead_s: float) -> LevelCurve:
    """Return the loudness of a segment over time in LUFS, over windows whose middle each value stands at.

    Windows are of 0.4 s, of a shorter note its own length, as for ``loudness_lufs``: the note's value is the highest
    after its onset, which lies ``lead_s`` after the segment's beginning.

    Raises
    ------
    AudioError
        If the file cannot be read.
    """
    samples = _samples(segment)
    window_s = min(MOMENTARY_S, len(samples) / segment.rate_hz - lead_s)
    lufs = momentary_lufs(samples, segment.rate_hz, HOP_S, window_s)
    return LevelCurve(segment.first / segment.rate_hz + window_s / 2, HOP_S, np.maximum(lufs, QUIETEST_DBFS))


def brightness_curve(segment: Cut, lead_s: float, held_s: float, f0_hz: float | None) -> LevelCurve:
    """Return where the middle of a note's partials lies over time, in Hz, NaN where there are none.

    As ``centroid_hz`` takes it over the whole of the note, here over windows whose middle each value stands at. The
    onset lies ``lead_s`` after the segment's beginning; ``held_s`` is how long the note is.

    Raises
    ------
    AudioError
        If the file cannot be read.
    """
    samples, pitch_hz = _samples(segment), float("nan") if f0_hz is None else f0_hz
    window_s = min(held_s, max(tone.PERIODS / pitch_hz, tone.SHORTEST_S) if pitch_hz > 0 else tone.UNPITCHED_S)
    starts = lead_s + np.arange(0.0, min(held_s, BRIGHTNESS_S) - window_s + 1e-9, BRIGHTNESS_HOP_S)
    parts = [samples[round(one * segment.rate_hz) : round((one + window_s) * segment.rate_hz)] for one in starts]
    hz = [tone.spectral_centroid_hz(tone.spectrum(part, segment.rate_hz, pitch_hz)) for part in parts if part.size]
    return LevelCurve(segment.first / segment.rate_hz + lead_s + window_s / 2, BRIGHTNESS_HOP_S, np.array(hz))


def curve_span(start_s: float, end_s: float) -> tuple[float, float]:
    """Return the segment of a take that a note's curve needs: some of the quiet before it, and its ring."""
    return max(0.0, start_s - LEAD_S), min(end_s, start_s + LONGEST_S)


def level_curve(segment: Cut, f0_hz: float | None) -> LevelCurve:
    """Return the level of a segment over time; ``f0_hz`` None where no pitch is known.

    Raises
    ------
    AudioError
        If the file cannot be read.
    """
    samples = _samples(segment)
    pitch_hz = float("nan") if f0_hz is None else f0_hz
    level = rms_envelope_db(
        without_rumble(samples, segment.rate_hz, BELOW_NOTE * pitch_hz), segment.rate_hz, HOP_S, f0_hz=pitch_hz
    )
    return LevelCurve(segment.first / segment.rate_hz, HOP_S, np.maximum(level, QUIETEST_DBFS))


def _samples(segment: Cut) -> np.ndarray:
    """Return a segment's samples, full scale 1."""
    samples = np.concatenate([np.zeros(0), *segment.blocks()]) / 2 ** (8 * segment.width - 1)
    if not samples.size:
        raise AudioError(f"{segment.path}: nothing is left of this note; copy the file again")
    return samples
