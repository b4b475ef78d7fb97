"""Notes: where each played note starts, stops sounding and has rung out.

Frames of the reference microphone (mel, frame) in dB and a way to read its samples go in; notes in seconds come out,
with the sounds that rose like a note and are not one (spurious: a knock, a cough in a gap).

A sound starts where several bands rise together: out of the floor at any speed (soft attacks), or out of a
ringing tail by a step. The frame grid finds it, the samples place it. What counts as a note is then decided
inside the take: about as loud as the take's other notes, and no second start within one breath.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, signal

from triage.listen.filters import band_pass
from triage.listen.logmel import HOP_S, LogMel, percentile, power_of

Span = Callable[[float, float], np.ndarray]  # (start_s, end_s) -> one channel, shape (sample,)

TOP_BANDS = 8  # a soft low note fills few of the 80 bands
ACTIVE_DB = 10.0  # mean of the top bands over the floor: the floor's own peaks reach 6 to 7 dB
RISE_DB = 9.0  # within RISE_FRAMES, out of a ringing tail
RISE_FRAMES = 6
REPEAT_S = 0.10  # two starts closer than this are one attack
SWELL_S = 0.5  # a soft attack may take this long to reach its level
SWELL_DB = 4.0
LEAD_S = 0.25  # of a weak sound that runs into a note
HOLD_S = 0.15  # a gap shorter than this in a held note is a dropout, not a new note
DROP_DB = 20.0  # the sounding part ends this far below the note's peak
QUIET_NOTE_DB = 16.0  # a sound this far below the take's usual note is spurious
DEEPEST_DB = 34.0  # below its level a note starts where its pitch is known: deeper lies the skirt of a breath
BELOW_PITCH = 0.7  # of the lowest pitch of a take: below it there are breath, thumps and traffic, but no partial
PUFF_HZ = 150.0  # a puff reaches so high; a low note is found by the partials above it, ...
ABOVE_PITCH = 1.4  # ... down to its second


@dataclass(frozen=True)
class NoteSegment:
    """One sounding event of a take, times in seconds from the take's start."""

    start_s: float
    end_s: float  # end of the sounding part: DROP_DB below the peak
    ring_end_s: float  # back at the floor, or the next start
    level_db: float  # highest level of its bands, dB re full scale


def floor_db(frames: np.ndarray) -> np.ndarray:
    """Return the level of the background in each band: a low percentile of the smoothed frames.

    Minimum statistics (Martin, IEEE Trans. Speech and Audio Processing 9(5), 2001) with one window, the take:
    the fifth percentile of 0.2 s means, since at least a twentieth of a take is gap.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Levels in dB.

    Returns
    -------
    ndarray, shape (mel,)
        Levels in dB; digital silence (a padded file) is left out where there is anything else.
    """
    sounding = frames[:, frames.max(axis=0) > frames.min() + 1e-3]
    frames = sounding if sounding.shape[1] >= 10 else frames
    power = ndimage.uniform_filter1d(power_of(frames), 21, axis=1, mode="nearest")
    return 10 * np.log10(percentile(power, 5))


def top_bands(bands: np.ndarray) -> np.ndarray:
    """Return the mean of the TOP_BANDS highest bands of each frame [shape=(frame,)]."""
    return np.partition(bands, -TOP_BANDS, axis=0)[-TOP_BANDS:].mean(axis=0)


def lowest_partial_hz(lowest_pitch_hz: float) -> float:
    """Return the frequency from which on sound belongs to the notes of a take, in Hz.

    A puff of breath, a thump of the floor or a pedal begins before the tone and lies below it: it starts no note.

    Parameters
    ----------
    lowest_pitch_hz : float
        Of the take; 0 where it is unknown, which gives 0.
    """
    return max(BELOW_PITCH * lowest_pitch_hz, min(PUFF_HZ, ABOVE_PITCH * lowest_pitch_hz))


def find_notes(
    frames: np.ndarray, span: Span, rate_hz: int, lowest_pitch_hz: float = 0.0
) -> tuple[list[NoteSegment], list[NoteSegment]]:
    """Cut a take into notes.

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        Log-mel of the reference microphone (``triage.listen.logmel``).
    span : callable
        Reads samples of the same track.
    rate_hz : int
    lowest_pitch_hz : float
        The lowest pitch that the take may hold, 0 where that is unknown: what lies below it starts no note.

    Returns
    -------
    notes, spurious : list of NoteSegment
        In order of time. A spurious one rose like a note but is too weak beside the take's notes to be one.
    """
    over = np.maximum(frames - floor_db(frames)[:, None], 0.0)
    over[LogMel(rate_hz).band_hz() < lowest_partial_hz(lowest_pitch_hz)] = 0.0
    starts = _starts(over)
    level = _level(frames, over)
    sounds = [_sound(first, last, frames, over, level) for first, last in _between(starts, frames.shape[1])]
    sounds = _join_held(sounds, level)
    usual = _usual_level([s.level_db for s in sounds])
    notes: list[NoteSegment] = []
    spurious: list[NoteSegment] = []
    for sound in sounds:
        if sound.level_db <= usual - QUIET_NOTE_DB:
            spurious.append(sound)
            continue
        lead = spurious[-1] if spurious and not lowest_pitch_hz else None
        if lead and sound.start_s - lead.start_s < LEAD_S and lead.ring_end_s >= sound.start_s:
            sound = replace(sound, start_s=spurious.pop().start_s)  # bow or breath, told from the tone by no pitch
        notes.append(sound)
    edge_hz = lowest_partial_hz(lowest_pitch_hz)
    return _one_attack([_placed(note, over, span, rate_hz, edge_hz) for note in notes]), spurious


def _one_attack(notes: list[NoteSegment]) -> list[NoteSegment]:
    """Return the notes without those that the samples put within REPEAT_S of the next one: both are one attack.

    A key or a puff may start a frame or two before the tone; the tone's own start counts.
    """
    kept: list[NoteSegment] = []
    for note in notes:
        if kept and note.start_s - kept[-1].start_s < REPEAT_S:
            note = replace(note, level_db=max(note.level_db, kept.pop().level_db))
        kept.append(note)
    return kept


def _starts(over: np.ndarray) -> list[int]:
    """Frames where a sound starts: out of the floor, or by a step out of a tail."""
    smooth = ndimage.uniform_filter1d(over, 3, axis=1, mode="nearest")
    activity = top_bands(smooth)
    active = activity > ACTIVE_DB
    from_floor = np.flatnonzero(active[1:] & ~active[:-1]) + 1
    if active[:1].any():
        from_floor = np.r_[0, from_floor]
    before = ndimage.maximum_filter1d(smooth, RISE_FRAMES, axis=1, origin=RISE_FRAMES // 2 - 1, mode="nearest")
    lagged = np.pad(before, ((0, 0), (3, 0)), mode="edge")[:, :-3]  # the loudest of 20 to 80 ms ago
    rise = top_bands(np.maximum(smooth - np.maximum(lagged, 6.0), 0.0))
    peaks, _ = signal.find_peaks(rise, height=RISE_DB, distance=round(REPEAT_S / HOP_S))
    starts: list[int] = []
    for frame in sorted({int(f) for f in from_floor} | {int(p) for p in peaks}):
        if not starts or frame - starts[-1] >= REPEAT_S / HOP_S:
            starts.append(frame)
    return starts


def _between(starts: list[int], n_frames: int) -> list[tuple[int, int]]:
    return list(zip(starts, [*starts, n_frames][1:], strict=True)) if starts else []


def _level(frames: np.ndarray, over: np.ndarray) -> np.ndarray:
    """Level of each frame in dB over the bands that stand out of the floor."""
    power = np.where(over > 6.0, power_of(frames), 0.0).sum(axis=0)
    return 10 * np.log10(power + 1e-12)


def _sound(first: int, last: int, frames: np.ndarray, over: np.ndarray, level: np.ndarray) -> NoteSegment:
    own = ndimage.uniform_filter1d(level[first:last], 5, mode="nearest")
    peak = int(own.argmax())
    limit = own[peak] - DROP_DB
    below = own[peak:] < limit
    settled = ndimage.minimum_filter1d(below.astype(np.uint8), 10, origin=-5, mode="nearest").astype(bool)
    end = peak + int(settled.argmax()) if settled.any() else len(own)
    quiet = (
        top_bands(ndimage.uniform_filter1d(over[:, first + end : last], 5, axis=1, mode="nearest")) < 6.0
        if (first + end < last)
        else np.zeros(0, bool)
    )
    ring = first + end + (int(quiet.argmax()) if quiet.any() else len(quiet))
    return NoteSegment(first * HOP_S, (first + end) * HOP_S, ring * HOP_S, float(own[peak]))


def _join_held(sounds: list[NoteSegment], level: np.ndarray) -> list[NoteSegment]:
    """Join what a dropout, a wobble or a slow attack cut, and leave out what starts in a tail without a rise."""
    joined: list[NoteSegment] = []
    for sound in sounds:
        last = joined[-1] if joined else None
        if last is None or not _held(last, sound, level):
            joined.append(sound)
        elif last.end_s < sound.start_s - HOP_S and sound.level_db < last.level_db - DROP_DB / 2:
            joined[-1] = replace(last, ring_end_s=sound.ring_end_s)  # a noise in the tail
        else:
            joined[-1] = NoteSegment(
                last.start_s, max(sound.end_s, last.end_s), sound.ring_end_s, max(last.level_db, sound.level_db)
            )
    return joined


def _held(last: NoteSegment, new: NoteSegment, level: np.ndarray) -> bool:
    """True if the new start brings no rise: it belongs to the sound before it or to its tail.

    Either the sound was still growing (a soft attack comes in steps), or it was as loud as now less than HOLD_S
    ago (a wobble, a dropout, a noise that comes out of a tail).
    """
    at, reach = round(new.start_s / HOP_S), round(HOLD_S / HOP_S)
    before = level[round(last.start_s / HOP_S) : at]
    after = level[at : at + reach]
    if len(before) < 3 or len(after) < 3:
        return len(before) < 3
    growing = before.max() - before[-4:].mean() < SWELL_DB and len(before) * HOP_S < SWELL_S
    as_loud = np.flatnonzero(before > after.max() - SWELL_DB)
    return growing or bool(len(as_loud) and len(before) - as_loud[-1] <= reach)


def _usual_level(levels: list[float]) -> float:
    """Level of the take's usual note: the median of those within 20 dB of the strongest."""
    if not levels:
        return -np.inf
    strong = np.array(levels)
    return float(np.median(strong[strong > strong.max() - 20.0]))


def _placed(note: NoteSegment, over: np.ndarray, span: Span, rate_hz: int, edge_hz: float) -> NoteSegment:
    """Place the start on the samples: where the note's own bands first leave what was there before."""
    at = round(note.start_s / HOP_S)
    own = over[:, at : at + 20].max(axis=1)
    strong = np.flatnonzero(own > max(10.0, own.max() - 25.0))
    from_s = max(0.0, note.start_s - 0.25)
    samples = span(from_s, note.start_s + 0.15)
    if len(samples) < 0.02 * rate_hz or not len(strong):
        return note
    envelope = _fast_envelope(samples, rate_hz, (int(strong[0]), int(strong[-1])), edge_hz)
    centre = round((note.start_s - from_s) * 1000)
    later = envelope[max(0, centre - 30) :]
    quiet = envelope[: max(20, centre - 60)]
    depth_db = DEEPEST_DB if edge_hz else 40.0
    limit = max(np.percentile(quiet, 90) + 5.0, later.max() - depth_db)
    top = max(0, centre - 30) + int(np.argmax(later > min(limit + 6.0, later.max() - 1.0)))
    below = np.flatnonzero(envelope[: top + 1] <= limit)
    return replace(note, start_s=from_s + (_crossing(envelope, int(below[-1]), limit) if len(below) else 0) / 1000)


def _crossing(envelope: np.ndarray, last: int, limit: float) -> float:
    """Return where an envelope goes beyond a limit after the last value below it, between the values."""
    if last + 1 >= len(envelope):
        return last + 1.0
    return last + float((limit - envelope[last]) / max(envelope[last + 1] - envelope[last], 1e-9))


def _fast_envelope(samples: np.ndarray, rate_hz: int, bands: tuple[int, int], edge_hz: float) -> np.ndarray:
    """Level every millisecond over 4 ms, in dB, between the outer edges of two mel bands and above ``edge_hz``."""
    centres_hz = LogMel(rate_hz).band_hz()
    low, high = max(25.0, edge_hz, centres_hz[bands[0]] / 1.6), min(0.45 * rate_hz, centres_hz[bands[1]] * 1.3)
    sos = band_pass(6 if edge_hz else 2, low, high, rate_hz)
    power = ndimage.uniform_filter1d(signal.sosfilt(sos, samples.astype(np.float64)) ** 2, round(0.004 * rate_hz))
    at = (np.arange(0, len(samples) / rate_hz * 1000 - 1) * rate_hz / 1000).astype(int)
    return 10 * np.log10(power[at] + 1e-14)
