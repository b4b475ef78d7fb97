"""Measurements: one note's samples in, every number that describes how it was played out.

The samples of the judging microphone around a note, one channel, full scale 1; a dict of the measurement names of
``MEASURED`` comes back, NaN where a note is too short, too soft or unpitched for one. ``cents`` is left to whoever
knows the take sheet.
"""

import numpy as np

from triage.listen import envelope, loudness, pitch, steadiness, tone
from triage.listen.notes import Note

MEASURED = (
    "f0_hz", "cents_drift", "cents_spread", "attack_jump_cents", "attack_unvoiced", "attack_s",
    "attack_overshoot_db", "attack_noise_db", "length_s", "release_s", "tail_s", "level_dbfs", "level_slope_db_s",
    "loudness_lufs", "peak_dbfs", "centroid_hz", "rolloff_hz", "tilt_db_oct", "odd_even_db", "harmonicity_db",
    "steadiness_db", "tremolo_hz", "vibrato_hz", "vibrato_cents",
)  # fmt: skip
LEAD_S = 0.25  # of quiet before the onset that the attack is measured from
LONGEST_S = 15.0  # of one note: what comes after tells nothing new
ATTACK_S = 0.10
ENVELOPE_HOP_S = 0.002


def window(note: Note, take_s: float) -> tuple[float, float]:
    """Return the stretch of a take, in seconds, whose samples ``measure`` wants for a note."""
    return max(0.0, note.start_s - LEAD_S), min(take_s, note.ring_end_s, note.start_s + LONGEST_S)


def measure(samples: np.ndarray, rate_hz: int, note: Note, floor_dbfs: float) -> dict[str, float]:
    """Measure one note.

    Parameters
    ----------
    samples : ndarray, shape (sample,)
        The stretch that ``window`` names.
    rate_hz : int
    note : Note
        Its times in the take.
    floor_dbfs : float
        Level of the quiet around the notes.

    Returns
    -------
    dict of str to float
        The names of MEASURED.
    """
    onset_s = min(LEAD_S, note.start_s)
    end_s = onset_s + note.end_s - note.start_s
    found = dict.fromkeys(MEASURED, float("nan"))
    samples = np.nan_to_num(np.asarray(samples, dtype=np.float64))
    if samples.size < 0.03 * rate_hz or not samples.any():
        return found
    body = samples[round(onset_s * rate_hz) : round(max(end_s, onset_s + 0.05) * rate_hz)]
    found |= _pitch(samples, rate_hz, onset_s, end_s)
    found |= _course(samples, rate_hz, (onset_s, end_s), found["f0_hz"], floor_dbfs)
    found["tail_s"] = note.ring_end_s - note.end_s
    found["loudness_lufs"] = loudness.note_lufs(samples[round(onset_s * rate_hz) :], rate_hz)
    found["peak_dbfs"] = float(20 * np.log10(max(np.abs(body).max(initial=0.0), 1e-10)))
    return found | _tone(samples, rate_hz, (onset_s, end_s), found["f0_hz"])


def held(onset_s: float, end_s: float) -> tuple[float, float]:
    """Return the part of a note that is past its attack and before its release, in seconds."""
    length_s = end_s - onset_s
    return onset_s + min(ATTACK_S, 0.3 * length_s), onset_s + max(0.85 * length_s, min(0.06, length_s))


def _pitch(samples: np.ndarray, rate_hz: int, onset_s: float, end_s: float) -> dict[str, float]:
    from_s, to_s = held(onset_s, end_s)
    course = pitch.track(samples[: round((end_s + 0.05) * rate_hz)], rate_hz)
    inside = (course.time_s >= from_s) & (course.time_s <= to_s)
    voiced = course.f0_hz[inside]
    if not np.isfinite(voiced).any():
        return {}
    middle = samples[round(from_s * rate_hz) : round(to_s * rate_hz)]
    f0_hz = pitch.note_f0(middle, rate_hz, pitch.typical_hz(course, from_s, to_s))
    jump, unvoiced = pitch.jump_cents(course, onset_s, end_s)
    early = (course.time_s >= onset_s) & (course.time_s <= onset_s + ATTACK_S)
    strength = np.clip(course.strength[early], 1e-3, 1 - 1e-3)
    hop_s = float(course.time_s[1] - course.time_s[0]) if len(course.time_s) > 1 else 0.01
    vibrato_cents, vibrato_hz = steadiness.vibrato(voiced, hop_s)
    return {
        "f0_hz": f0_hz,
        "attack_jump_cents": jump,
        "attack_unvoiced": unvoiced,
        "attack_noise_db": float(np.median(10 * np.log10((1 - strength) / strength))) if early.any() else np.nan,
        "cents_drift": steadiness.drift_cents_s(voiced, hop_s),
        "cents_spread": steadiness.spread_cents(voiced),
        "vibrato_hz": vibrato_hz,
        "vibrato_cents": vibrato_cents,
    }


def _course(samples: np.ndarray, rate_hz: int, sounding: tuple[float, float], f0_hz: float,
            floor_dbfs: float) -> dict[str, float]:
    """Measure the level's course: attack, length, slope, wobble, release."""
    onset_s, end_s = sounding
    hop_s = ENVELOPE_HOP_S
    level = envelope.rms_envelope_db(samples, rate_hz, hop_s, f0_hz=f0_hz)
    own = level[max(0, round(onset_s / hop_s) - 5) :]
    length_s = envelope.sounding_length_s(level, hop_s, onset_s=onset_s)
    if not np.isfinite(length_s):
        length_s = end_s - onset_s
    first, last = (round(t / hop_s) for t in held(onset_s, onset_s + length_s))
    middle = level[first:last]
    depth_db, rate = steadiness.amplitude_modulation(middle, hop_s)
    return {
        "attack_s": envelope.attack_time_s(level[: round(end_s / hop_s)], hop_s),
        "attack_overshoot_db": envelope.overshoot_db(own, hop_s),
        "length_s": length_s,
        "level_dbfs": envelope.held_level_db(own, hop_s),
        "level_slope_db_s": envelope.level_slope_db_s(middle, hop_s) if len(middle) > 10 else np.nan,
        "steadiness_db": depth_db,
        "tremolo_hz": rate,
        "release_s": envelope.release_s(level, hop_s, onset_s + length_s, floor_dbfs),
    }


def _tone(samples: np.ndarray, rate_hz: int, sounding: tuple[float, float], f0_hz: float) -> dict[str, float]:
    from_s, to_s = held(*sounding)
    sound = tone.spectrum(samples[round(from_s * rate_hz) : round(to_s * rate_hz)], rate_hz, f0_hz)
    partials_db = tone.harmonics_db(sound)
    return {
        "centroid_hz": tone.spectral_centroid_hz(sound),
        "rolloff_hz": tone.rolloff_hz(sound),
        "tilt_db_oct": tone.tilt_db_oct(partials_db),
        "odd_even_db": tone.odd_even_db(partials_db),
        "harmonicity_db": tone.harmonicity_db(sound),
    }
