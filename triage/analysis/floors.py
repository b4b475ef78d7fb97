"""The noise floor of each microphone of a take, and its lag and polarity against the measured one."""

from dataclasses import replace

import numpy as np

from triage.analysis.measured_track import MeasuredTrack
from triage.domain.take import NoiseFloor
from triage.intake.arrivals import TrackFile
from triage.listen.background import Background
from triage.listen.endings import ending
from triage.listen.logmel import BANDS_OVER_RMS_DB, HOP_S, power_of
from triage.listen.mics import Match, match
from triage.listen.notes import NoteSegment, floor_db


def noise_floor(track: TrackFile, frames: np.ndarray, background: Background, measured: MeasuredTrack) -> NoiseFloor:
    """Return a microphone's background, its usual level under notes, and its lag and polarity.

    Parameters
    ----------
    track : TrackFile
    frames : ndarray, shape (mel, frame)
    background : Background
    measured : MeasuredTrack
        That lag and polarity are relative to; against itself, or at another sample rate, neither is known.
    """
    end = ending(frames)
    floor = NoiseFloor(
        track.mic,
        _total_db(floor_db(frames)),
        a_dbfs=background.a_dbfs,
        octaves_dbfs=background.octaves_dbfs,
        end_over_db=end.over_db if end else None,
        end_fall_db_s=end.fall_db_s if end else None,
    )
    return beside_notes(floor, track, frame_power(frames), measured)


def frame_power(frames: np.ndarray) -> np.ndarray:
    """Return the power of each frame, all bands together [shape=(frame,)]: all that the level under notes needs."""
    return np.asarray(power_of(frames).sum(axis=0))


def beside_notes(floor: NoiseFloor, track: TrackFile, power: np.ndarray, measured: MeasuredTrack) -> NoiseFloor:
    """Return a floor with what only the measured notes tell: the level under them, lag and polarity."""
    found = _match(track, measured)
    return replace(
        floor,
        lag_s=found.lag_s if found else None,
        polarity=found.sign if found else None,
        clear=found.clear if found else None,
        note_dbfs=_note_dbfs(power, measured.segments),
    )


def _match(track: TrackFile, measured: MeasuredTrack) -> Match | None:
    own = measured.track
    if own == track or own.facts.sample_rate_hz != track.facts.sample_rate_hz:
        return None
    attacks = measured.attacks_on(track)
    if [len(attack) for attack in attacks] == measured.attacks.lengths:
        return measured.attacks.match(attacks)
    # One file is shorter: both are cut to what they share.
    pairs = [
        (a[: min(len(a), len(b))], b[: min(len(a), len(b))])
        for a, b in zip(measured.attacks_on(own), attacks, strict=True)
    ]
    return match(pairs, track.facts.sample_rate_hz)


def _note_dbfs(power: np.ndarray, notes: list[NoteSegment]) -> float | None:
    under = (power[round(note.start_s / HOP_S) : round(note.end_s / HOP_S)] for note in notes)
    levels = [10 * np.log10(part.mean()) - BANDS_OVER_RMS_DB for part in under if len(part)]
    return float(np.median(levels)) if levels else None


def _total_db(bands_db: np.ndarray) -> float:
    return float(10 * np.log10((10 ** (bands_db / 10)).sum())) - BANDS_OVER_RMS_DB
