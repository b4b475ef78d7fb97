"""Measurements: one note's samples in, every number that describes how it was played out.

The samples of the reference microphone around a note, one channel, full scale 1; a dict of the measurement names of
``MEASURED`` comes back, NaN where a note is too short, too soft or unpitched for one. ``cents`` is left to the caller
who knows the take sheet.
"""

from collections.abc import Sequence

import numpy as np
from scipy import signal
from scipy.fft import rfft, rfftfreq

from triage.domain.measurements import MEASURED
from triage.listen import envelope, loudness, pitch, standard_errors, steadiness, tone
from triage.listen.attack_pitch import attack_pitch
from triage.listen.filters import high_pass
from triage.listen.notes import NoteSegment

LEAD_S = 0.25  # of quiet before the onset that the attack is measured from
LONGEST_S = 15.0  # of one note: what comes after adds nothing new
ATTACK_S = 0.10
EARLY_S = 0.5  # of a note, where it is loudest against sympathetic resonance
NEAR_CENTS = 45.0
STRANGE_SHARE, WEAK_SHARE = 0.2, 0.02
LEAST_VIBRATO_CENTS, LEAST_TREMOLO_DB = 2.0, 0.1  # below that a rate means nothing
BRIGHT_HZ = 2000.0
BODY_DROP_DB = 8.0  # the part that is played, before the room takes over
SHORTEST_TAIL_S = 0.01
FOLLOWED_S = 0.42  # of a short note: from there on a wobble can be told from a trend
# What lies below a note's pitch (breath on the microphone, thumps, traffic) is none of it: share of the pitch, or of
# the lowest that the take may hold while the pitch is unknown.
BELOW_NOTE, BELOW_TAKE = 0.5, 0.45
LEAST_CUT_HZ = 10.0
ENVELOPE_HOP_S, CONTOUR_HOP_S = 0.002, 0.01


def window(note: NoteSegment, take_s: float) -> tuple[float, float]:
    """Return the segment of a take, in seconds, whose samples ``measure`` needs for a note."""
    return max(0.0, note.start_s - LEAD_S), min(take_s, note.ring_end_s, note.start_s + LONGEST_S)


def measure(
    samples: np.ndarray, rate_hz: int, note: NoteSegment, floor_dbfs: float, meant_hz: Sequence[float] = ()
) -> dict[str, float]:
    """Measure one note.

    Parameters
    ----------
    samples : ndarray, shape (sample,)
        The segment that ``window`` names.
    rate_hz : int
    note : NoteSegment
        Its times in the take.
    floor_dbfs : float
        Level of the quiet around the notes.
    meant_hz : sequence of float
        Pitches that the take may hold: they settle which octave or partial is the note, never how well it is tuned.

    Returns
    -------
    dict of str to float
        The names of MEASURED.
    """
    return measure_and_follow(samples, rate_hz, note, floor_dbfs, meant_hz)[0]


def measure_and_follow(
    samples: np.ndarray, rate_hz: int, note: NoteSegment, floor_dbfs: float, meant_hz: Sequence[float] = ()
) -> tuple[dict[str, float], dict[str, float], pitch.PitchTrack | None]:
    """Return what ``measure`` does, standard errors by name, and the pitch over time; None where there is none.

    Errors are those that are known (``standard_errors``), in the unit of the measurement.
    """
    onset_s = min(LEAD_S, note.start_s)
    end_s = onset_s + note.end_s - note.start_s
    found = dict.fromkeys(MEASURED, float("nan"))
    samples = np.nan_to_num(np.asarray(samples, dtype=np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    if samples.size < 0.03 * rate_hz or not samples.any():
        return found, {}, None
    body = samples[round(onset_s * rate_hz) : round(max(end_s, onset_s + 0.05) * rate_hz)]
    found["peak_dbfs"] = float(20 * np.log10(max(np.abs(body).max(initial=0.0), 1e-10)))
    found["loudness_lufs"] = loudness.note_lufs(samples[round(onset_s * rate_hz) :], rate_hz)
    samples = without_rumble(samples, rate_hz, BELOW_TAKE * min(meant_hz, default=0.0))
    contour = pitch.track(samples[: round((end_s + 0.05) * rate_hz)], rate_hz, hop_s=CONTOUR_HOP_S)
    pitched, errors = _pitch(contour, samples, rate_hz, (onset_s, end_s), meant_hz)
    found |= pitched
    samples = without_rumble(samples, rate_hz, BELOW_NOTE * found["f0_hz"])
    levels, wobble = _level(samples, rate_hz, (onset_s, end_s), found["f0_hz"], floor_dbfs)
    found |= levels
    errors |= standard_errors.of_level(found, floor_dbfs) | {"steadiness_db": wobble}
    found["tail_s"] = max(note.ring_end_s - note.end_s, SHORTEST_TAIL_S)
    found["attack_bright_db"] = _attack_brightness_db(samples, rate_hz, onset_s, end_s)
    errors = {name: error for name, error in errors.items() if np.isfinite(error)}
    return found | _tone(samples, rate_hz, (onset_s, end_s), found["f0_hz"]), errors, contour


def without_rumble(samples: np.ndarray, rate_hz: int, edge_hz: float) -> np.ndarray:
    """Return samples without what lies below a frequency: Butterworth, fourth order, both ways, so without delay.

    As they are where the edge is unknown or below LEAST_CUT_HZ.
    """
    if not edge_hz > LEAST_CUT_HZ:
        return samples
    padding = min(len(samples) - 1, round(0.1 * rate_hz))
    return np.asarray(signal.sosfiltfilt(high_pass(4, edge_hz, rate_hz), samples, padlen=padding))


def held(onset_s: float, end_s: float) -> tuple[float, float]:
    """Return the part of a note that is past its attack and before its release, in seconds."""
    length_s = end_s - onset_s
    return onset_s + min(ATTACK_S, 0.3 * length_s), onset_s + max(0.85 * length_s, min(0.06, length_s))


def _pitch(
    contour: pitch.PitchTrack,
    samples: np.ndarray,
    rate_hz: int,
    sounding: tuple[float, float],
    meant_hz: Sequence[float],
) -> tuple[dict[str, float], dict[str, float]]:
    """Measure the pitch; standard errors of what is read from its contour beside it."""
    onset_s, end_s = sounding
    from_s, to_s = held(onset_s, end_s)
    inside = (contour.time_s >= from_s) & (contour.time_s <= to_s)
    voiced = contour.f0_hz[inside]
    if not np.isfinite(voiced).any():
        return {}, {}
    middle = samples[round(from_s * rate_hz) : round(to_s * rate_hz)]
    early = samples[round(onset_s * rate_hz) : round(min(to_s, onset_s + EARLY_S) * rate_hz)]
    guess_hz = _settled(early, rate_hz, pitch.typical_hz(contour, from_s, to_s), meant_hz)
    f0_hz = pitch.note_f0(middle, rate_hz, guess_hz)
    start = attack_pitch(samples, rate_hz, onset_s, f0_hz)
    hop_s = float(contour.time_s[1] - contour.time_s[0]) if len(contour.time_s) > 1 else 0.01
    vibrato_cents, vibrato_hz, error = steadiness.vibrato(voiced, hop_s)
    found = {
        "f0_hz": f0_hz,
        "attack_jump_cents": start.jump_cents,
        "attack_unvoiced": pitch.unvoiced_share(contour, onset_s, onset_s + ATTACK_S),
        "attack_noise_db": start.noise_db,
        "cents_drift": steadiness.drift_cents_s(voiced, hop_s),
        "end_cents": steadiness.end_cents(voiced),
        "cents_spread": steadiness.spread_cents(voiced),
        "vibrato_hz": vibrato_hz if vibrato_cents > LEAST_VIBRATO_CENTS else np.nan,
        "vibrato_cents": vibrato_cents,
    }
    return found, standard_errors.of_pitch(contour, from_s, to_s) | {"vibrato_cents": error}


def _settled(samples: np.ndarray, rate_hz: int, guess_hz: float, meant_hz: Sequence[float]) -> float:
    """Return the pitch meant where the guess is a whole part or multiple of it that the spectrum does not support.

    Sympathetic strings, a knock of the body or a weak fundamental put the autocorrelation an octave or a twelfth off.
    The guess stands if its partials that the meant pitch would not have hold STRANGE_SHARE of the power (it is really
    sounding), or if those that only the meant pitch would have hold next to nothing.
    """
    if any(abs(1200 * np.log2(guess_hz / wanted_hz)) < NEAR_CENTS for wanted_hz in meant_hz):
        return guess_hz
    for wanted_hz in meant_hz:
        low_hz, high_hz = sorted((guess_hz, wanted_hz))
        times = round(high_hz / low_hz)
        if not 2 <= times <= 6 or abs(1200 * np.log2(high_hz / low_hz / times)) > NEAR_CENTS:
            continue
        power = np.nan_to_num(10 ** (tone.harmonics_db(tone.spectrum(samples, rate_hz, low_hz), 40) / 10))
        strange = 1 - power[times - 1 :: times].sum() / max(power.sum(), 1e-20)
        if guess_hz < wanted_hz and strange < STRANGE_SHARE:
            return guess_hz * times
        if guess_hz > wanted_hz and strange > WEAK_SHARE:
            return guess_hz / times
    return guess_hz


def _level(
    samples: np.ndarray, rate_hz: int, sounding: tuple[float, float], f0_hz: float, floor_dbfs: float
) -> tuple[dict[str, float], float]:
    """Measure the level contour: attack, length, slope, wobble, release; the wobble's standard error beside it."""
    onset_s, end_s = sounding
    hop_s = ENVELOPE_HOP_S
    level = envelope.rms_envelope_db(samples, rate_hz, hop_s, f0_hz=f0_hz)
    own = level[max(0, round(onset_s / hop_s) - 5) :]
    length_s = envelope.sounding_length_s(level, hop_s, onset_s=onset_s)
    if not np.isfinite(length_s):
        length_s = end_s - onset_s
    body_s = envelope.held_length_s(level, hop_s, length_s, BODY_DROP_DB, onset_s)
    # What is held ends where the playing does; a short note is followed a little further, to say anything of it.
    played_s = max(body_s, min(length_s, FOLLOWED_S)) if np.isfinite(body_s) else length_s
    first, last = (round(t / hop_s) for t in held(onset_s, onset_s + played_s))
    middle = level[first:last]
    held_db = envelope.held_level_db(own, hop_s)
    at = [min(round((onset_s + t) / hop_s), len(level) - 1) for t in (0.02, 0.05, 0.1)]
    depth_db, rate, error = steadiness.amplitude_modulation(middle, hop_s)
    found = {
        "attack_s": envelope.attack_time_s(level[: round(end_s / hop_s)], hop_s),
        "attack_overshoot_db": envelope.overshoot_db(own, hop_s),
        "attack_20_db": level[at[0]] - held_db,
        "attack_50_db": level[at[1]] - held_db,
        "attack_100_db": level[at[2]] - held_db,
        "length_s": length_s,
        "body_s": body_s,
        "level_dbfs": held_db,
        "level_slope_db_s": envelope.level_slope_db_s(middle, hop_s) if len(middle) > 10 else np.nan,
        "steadiness_db": depth_db,
        "tremolo_hz": rate if depth_db > LEAST_TREMOLO_DB else np.nan,
        "release_s": envelope.release_s(level, hop_s, onset_s + body_s, floor_dbfs),
        "release_drop_db": envelope.steepest_fall_db(level, hop_s, onset_s + body_s),
    }
    return found, error


def _attack_brightness_db(samples: np.ndarray, rate_hz: int, onset_s: float, end_s: float) -> float:
    """Return how much more of the first 0.1 s than of the held part lies above 2 kHz, in dB: breath, scrape."""
    shares = []
    for from_s, to_s in ((onset_s, onset_s + ATTACK_S), held(onset_s, end_s)):
        part = samples[round(from_s * rate_hz) : round(to_s * rate_hz)]
        if not len(part):
            return float("nan")
        power = np.abs(rfft(part * np.hanning(len(part)))) ** 2
        hz = rfftfreq(len(part), 1 / rate_hz)
        total, high = power.sum(), power[(hz > BRIGHT_HZ) & (hz < 12_000)].sum()
        shares.append(10 * np.log10(high / total) if total > 0 and high > 0 else np.nan)
    return float(shares[0] - shares[1])


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
