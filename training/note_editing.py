"""Shapes of a single dry note: where it starts and ends, retuning, splicing, shelving, coloured noise.

In and out: one channel, float64, shape (sample,), onset at sample 0 unless said. Levels are RMS in dB
relative to 1.0 (0 dB = a square wave at full scale), read in frames of 5 ms.
"""

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage, signal

Array = npt.NDArray[np.float64]

FRAME_S = 0.005
ONSET_DROP_DB = 35.0  # a note starts where a 5 ms frame first comes within 35 dB of its loudest frame
END_DROP_DB = 20.0  # and sounds until the last frame within 20 dB of it
RING_DROP_DB = 45.0  # and has rung out after the last frame within 45 dB of it
SILENCE = 1e-12


def frame_levels_db(waveform: Array, rate_hz: int, frame_s: float = FRAME_S) -> Array:
    """Return the RMS level of each whole frame, in dB, shape (frame,)."""
    size = max(1, round(frame_s * rate_hz))
    count = max(1, len(waveform) // size)
    padded = np.pad(waveform, (0, max(0, count * size - len(waveform))))
    power = np.mean(padded[: count * size].reshape(count, size) ** 2, axis=1)
    return 10 * np.log10(power + SILENCE**2)


def onset_sample(waveform: Array, rate_hz: int) -> int:
    """Return the first sample of the first frame within 35 dB of the loudest frame."""
    levels = frame_levels_db(waveform, rate_hz)
    return int(np.argmax(levels >= levels.max() - ONSET_DROP_DB)) * round(FRAME_S * rate_hz)


def sounding_end(waveform: Array, rate_hz: int, drop_db: float = END_DROP_DB) -> int:
    """Return the sample after the last frame within ``drop_db`` of the loudest frame."""
    levels = frame_levels_db(waveform, rate_hz)
    last = len(levels) - int(np.argmax(levels[::-1] >= levels.max() - drop_db))
    return min(len(waveform), last * round(FRAME_S * rate_hz))


def rms_db(waveform: Array) -> float:
    """Return the RMS level of the whole waveform, in dB."""
    return float(10 * np.log10(np.mean(waveform**2) + SILENCE**2)) if waveform.size else -240.0


def peak_rms_db(waveform: Array, rate_hz: int) -> float:
    """Return the level of the loudest 10 ms, in dB."""
    return float(frame_levels_db(waveform, rate_hz, 0.010).max())


def plucked(waveform: Array, rate_hz: int) -> bool:
    """Tell whether the note only dies away: from 20 to 45 dB down takes it half as long again, or more."""
    ring = sounding_end(waveform, rate_hz, RING_DROP_DB)
    return ring >= 1.45 * sounding_end(waveform, rate_hz)


def steady(waveform: Array, rate_hz: int) -> bool:
    """Tell whether the note loses less than 6 dB between 1/4 and 3/4 of its length."""
    end = sounding_end(waveform, rate_hz)
    early, late = (rms_db(waveform[int(a * end) : int((a + 0.1) * end)]) for a in (0.25, 0.75))
    return early - late < 6.0


def amplitude(db: float) -> float:
    """Return the amplitude ratio of a level difference in dB."""
    return float(10 ** (db / 20))


def retune(waveform: Array, ratio: float) -> Array:
    """Read the note ``ratio`` times as fast: pitch x ratio, length / ratio, by band-limited resampling.

    Padding to a length that the FFT likes also keeps the end of the note from wrapping onto its start.
    """
    padded = np.pad(waveform, (0, fft.next_fast_len(len(waveform) + 256, real=True) - len(waveform)))
    out = signal.resample(padded, round(len(padded) / ratio))
    return np.asarray(out[: round(len(waveform) / ratio)], dtype=np.float64)


def glide(waveform: Array, cents: Array) -> Array:
    """Bend the pitch: ``cents[t]`` for every output sample; length stays (the end is padded with zeros)."""
    position = np.concatenate(([0.0], np.cumsum(2 ** (cents / 1200))[:-1]))
    # Four times oversampled, a cubic spline errs by less than -90 dB up to a third of the band.
    fine = signal.resample_poly(waveform, 4, 1)
    return np.asarray(ndimage.map_coordinates(fine, [position * 4], order=3, mode="constant"))


def splice(waveform: Array, leave: int, enter: int, fade: int) -> Array:
    """Join ``[:leave]`` to ``[enter:]`` with a crossfade of ``fade`` samples, both given in samples."""
    ramp = np.linspace(0.0, 1.0, fade)
    joint = waveform[leave : leave + fade] * (1 - ramp) + waveform[enter : enter + fade] * ramp
    return np.concatenate((waveform[:leave], joint, waveform[enter + fade :]))


def in_phase(waveform: Array, leave: int, enter: int, reach: int, fade: int) -> int:
    """Return the place within ``reach`` samples of ``enter`` whose wave best matches the one at ``leave``."""
    low = max(0, enter - reach)
    around = waveform[low : min(len(waveform), enter + reach + fade)]
    segment = waveform[leave : leave + fade]
    match = signal.correlate(around, segment, mode="valid")
    energy = signal.correlate(around**2, np.ones(len(segment)), mode="valid")
    return low + int(np.argmax(match / np.sqrt(np.maximum(energy, 1e-18))))


def relength(waveform: Array, rate_hz: int, ratio: float) -> Array:
    """Make the sounding part ``ratio`` times as long, keeping the note's own attack and release.

    Steady notes lose or repeat a segment of their middle, joined in phase; dying ones are damped early.
    """
    end = sounding_end(waveform, rate_hz)
    if ratio < 1 and not steady(waveform, rate_hz):
        return damp(waveform, rate_hz, int(ratio * end))
    fade = max(8, int(min(0.03 * rate_hz, 0.1 * end)))
    reach = int(min(0.016 * rate_hz, 0.08 * end))
    change = int((ratio - 1) * end)
    if change < 0:
        leave = int(0.3 * end)
        return splice(waveform, leave, in_phase(waveform, leave, leave - change, reach, fade), fade)
    leave = int(0.75 * end)
    while change > reach:
        back = min(change, int(0.45 * end))
        enter = in_phase(waveform, leave, leave - back, reach, fade)
        waveform = splice(waveform, leave, enter, fade)
        change, leave = change - (leave - enter), leave + (leave - enter)
    return waveform


def damp(waveform: Array, rate_hz: int, end: int, fall_db_s: float = 200.0) -> Array:
    """Stop the note by hand so that it sounds (to 20 dB down) until sample ``end``."""
    levels = frame_levels_db(waveform, rate_hz)
    fallen = levels.max() - levels[min(len(levels) - 1, int(end / (FRAME_S * rate_hz)))]
    begin = end / rate_hz - max(0.0, END_DROP_DB - fallen) / fall_db_s
    return waveform * 10 ** (-fall_db_s * np.maximum(0, np.arange(len(waveform)) / rate_hz - begin) / 20)


def faded(waveform: Array, rate_hz: int, in_s: float, out_s: float) -> Array:
    """Return a copy with raised-cosine fades of ``in_s`` and ``out_s`` at its ends."""
    out = waveform.copy()
    for seconds, forward in ((in_s, True), (out_s, False)):
        size = min(len(out), int(seconds * rate_hz))
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(size) + 0.5) / max(size, 1))
        part = slice(0, size) if forward else slice(len(out) - size, len(out))
        out[part] *= ramp if forward else ramp[::-1]
    return out


def high_shelf(waveform: Array, rate_hz: int, corner_hz: float, gain_db: float) -> Array:
    """First-order shelf: 0 dB well below ``corner_hz``, ``gain_db`` well above.

    H(s) = (s sqrt(g) + w) / (s / sqrt(g) + w) with g = 10^(gain/20): half the gain at the corner.
    """
    root = amplitude(gain_db / 2)
    warped = 2 * rate_hz * np.tan(np.pi * min(corner_hz, 0.45 * rate_hz) / rate_hz)
    b, a = signal.bilinear([root, warped], [1 / root, warped], fs=rate_hz)
    return np.asarray(signal.lfilter(b, a, waveform))


def centroid_hz(waveform: Array, rate_hz: int) -> float:
    """Return the centre of mass of the power spectrum of the whole waveform, in Hz.

    Power, not magnitude: a recording's wide, weak noise would pull a magnitude centre far above the tone.
    """
    power = np.abs(fft.rfft(waveform)) ** 2
    return float((power * fft.rfftfreq(len(waveform), 1 / rate_hz)).sum() / (power.sum() + SILENCE))


def coloured_noise(count: int, rate_hz: int, rng: np.random.Generator, slope_db_oct: float = -3.0) -> Array:
    """Return Gaussian noise of RMS 1 whose power falls by ``slope_db_oct`` (-3 = pink), flat below 20 Hz."""
    size = fft.next_fast_len(count, real=True)
    spectrum = fft.rfft(rng.standard_normal(size))
    octaves = np.log2(np.maximum(fft.rfftfreq(size, 1 / rate_hz), 20.0) / 20.0)
    noise = fft.irfft(spectrum * 10 ** (slope_db_oct * octaves / 20), size)[:count]
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))
