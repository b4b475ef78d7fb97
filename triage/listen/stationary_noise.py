"""Stationary noise of a microphone: mains hum, and with the background's octaves rumble and hiss.

Blocks of a take (channel, sample) go in one after another; out come, for each channel, the kinds that stand clearly
above what a clean recording shows, each with its level in dBFS (mean square; a full-scale sine reads -3.01) and with
the frequency where most of it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch

WINDOW_S = 0.5  # 2 Hz per bin: separates mains from the notes next to it
HOP_S = 0.25
TOP_HZ = 520.0
MAINS_HZ = (50.0, 60.0)
N_LINES = 8
LINE_DB, ALONE_DB = 10.0, 16.0  # over the bins around: one of several lines, and one alone
STEADY_DB = 3.0  # standard deviation of a line's level over the quiet windows
OFF_HZ = 0.8  # mains keeps within 0.2 Hz, the nearest notes are 1 Hz away
LEAST_HUM_DBFS = -95.0
QUIET_DB = 6.0  # windows within this of the quietest are gaps
MOST_WINDOWS = 400
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
LOW_OCTAVES, NEXT_OCTAVES, HIGH_OCTAVES = slice(0, 1), slice(2, 4), slice(7, 10)  # 31.5 Hz; 125, 250; 4 k to 16 k
RUMBLE_DB, LEAST_RUMBLE_DBFS = 14.0, -66.0  # over the next octaves: a pink floor has about the same in each
HISS_DB, LEAST_HISS_DBFS = 12.0, -72.0  # over the other microphones, and where there is no other over the lows


@dataclass(frozen=True)
class StationaryNoise:
    """One stationary noise of one channel."""

    channel: int
    kind: str  # hum, rumble, hiss
    level_dbfs: float
    over_db: float  # over what is around it in the spectrum, or on the other microphones
    hz: float  # of hum the mains, of the others the centre of the strongest octave


class HumDetector:
    """Follows the samples of a take block by block and keeps the low spectra of its quiet windows.

    Parameters
    ----------
    rate_hz, n_channels : int
    """

    def __init__(self, rate_hz: int, n_channels: int):
        self.rate_hz = rate_hz
        self.size, self.hop = round(WINDOW_S * rate_hz), round(HOP_S * rate_hz)
        self.window = torch.hann_window(self.size)
        self.bins = int(TOP_HZ * WINDOW_S) + 1
        self._rest = np.zeros((n_channels, 0), np.float32)
        self._kept: list[list[tuple[float, np.ndarray]]] = [[] for _ in range(n_channels)]

    def add(self, block: np.ndarray) -> None:
        """Add the next block [shape=(channel, sample)], every value finite."""
        rest = np.concatenate((self._rest, block.astype(np.float32, copy=False)), axis=1)
        count = max(0, (rest.shape[1] - self.size) // self.hop + 1)
        for channel, row in enumerate(rest):
            if count:
                self._keep_quiet(
                    channel, np.lib.stride_tricks.sliding_window_view(row, self.size)[:: self.hop][:count]
                )
        self._rest = rest[:, count * self.hop :]

    def _keep_quiet(self, channel: int, windows: np.ndarray) -> None:
        """Keep the windows that are about as quiet as the quietest so far; only they are transformed."""
        kept = self._kept[channel]
        level = 10 * np.log10(np.einsum("ws,ws->w", windows, windows) / self.size + 1e-20)
        limit = min([row[0] for row in kept] + [float(level.min())]) + QUIET_DB
        quiet = np.flatnonzero(level <= limit)
        if not len(quiet):  # a long note fills the block; the transform refuses an empty array
            return
        spectra = torch.fft.rfft(torch.from_numpy(windows[quiet]) * self.window)[:, : self.bins]
        power = (spectra.real.square() + spectra.imag.square()).numpy() * self._scale
        kept += [(float(level[at]), row) for at, row in zip(quiet, power, strict=True)]
        kept.sort(key=lambda row: row[0])
        self._kept[channel] = [row for row in kept[:MOST_WINDOWS] if row[0] <= kept[0][0] + QUIET_DB]

    @property
    def _scale(self) -> float:
        """Make the three bins of a sine add up to its mean square."""
        return 2.0 / (self.size * float(self.window.square().sum()))

    def hum(self) -> list[StationaryNoise]:
        """Return the hum of each channel that has one.

        Lines at multiples of 50 or 60 Hz, each the power of its three bins against the median of those around; steady
        over the quiet windows, and on the mains' frequency within 0.8 Hz. One that stands 16 dB out, or two of 10.
        """
        found = []
        for channel, kept in enumerate(self._kept):
            if len(kept) >= 2 and kept[0][0] > -150.0:
                power = np.stack([row[1] for row in kept])
                both = [(*one, hz) for hz in MAINS_HZ if (one := _mains(power, hz))]
                if both:
                    level, over, hz = max(both)
                    if level >= LEAST_HUM_DBFS:
                        found.append(StationaryNoise(channel, "hum", level, over, hz))
        return found


def broadband_noise(
    octaves_dbfs: Sequence[Sequence[float | None]], note_dbfs: Sequence[float | None]
) -> list[StationaryNoise]:
    """Return the rumble and the hiss of microphones, from their backgrounds octave by octave.

    Rumble: the octave at 31.5 Hz 14 dB over those at 125 and 250 Hz. Hiss: the octaves from 4 kHz on, against the
    level of the notes there, 12 dB over the median of the other microphones. Limits: common practice, no source.

    Parameters
    ----------
    octaves_dbfs : sequence (mic) of sequence (octave)
        31.5 Hz to 16 kHz, None where unknown.
    note_dbfs : sequence of float or None, shape (mic,)
        Level of the notes on each: cancels the preamplifier gain.

    Returns
    -------
    list of StationaryNoise
        ``channel`` is the microphone's index.
    """
    levels = np.array([[np.nan if v is None else v for v in row] for row in octaves_dbfs], dtype=float).reshape(
        -1, 10
    )
    found = []
    high = _sum_db(levels[:, HIGH_OCTAVES])
    against = high - np.array([np.nan if v is None else v for v in note_dbfs], dtype=float)
    for mic, row in enumerate(levels):
        low, after = _sum_db(row[None, LOW_OCTAVES])[0], _sum_db(row[None, NEXT_OCTAVES])[0] - 3.0
        if low - after >= RUMBLE_DB and low >= LEAST_RUMBLE_DBFS:
            found.append(StationaryNoise(mic, "rumble", float(low), float(low - after), OCTAVES_HZ[0]))
        others = np.delete(against, mic)
        others = others[np.isfinite(others)]
        over = against[mic] - float(np.median(others)) if len(others) >= 2 else np.nan
        if over >= HISS_DB and high[mic] >= LEAST_HISS_DBFS:
            strongest = HIGH_OCTAVES.start + int(np.argmax(row[HIGH_OCTAVES]))
            found.append(StationaryNoise(mic, "hiss", float(high[mic]), float(over), OCTAVES_HZ[strongest]))
    return found


def steady_dbfs(kind: str, octaves_dbfs: Sequence[float | None] | None) -> float | None:
    """Return the level that rumble or hiss would have in a background [shape=(octave,)], found or not.

    None for hum, which octaves do not tell from the rest, and where the octaves are not known.
    """
    octaves = {"rumble": LOW_OCTAVES, "hiss": HIGH_OCTAVES}.get(kind)
    if octaves is None or octaves_dbfs is None or any(level is None for level in octaves_dbfs[octaves]):
        return None
    return float(_sum_db(np.array([octaves_dbfs[octaves]], dtype=float))[0])


def _mains(power: np.ndarray, mains_hz: float) -> tuple[float, float] | None:
    """Return level and height over the bins around of the lines of one mains frequency, None where there are none.

    ``power`` has shape (window, bin), 1 / WINDOW_S Hz a bin.
    """
    mean, lines = power.mean(axis=0), []
    for k in range(1, N_LINES + 1):
        at = round(k * mains_hz * WINDOW_S)
        around = np.r_[mean[max(2, at - 8) : at - 2], mean[at + 3 : at + 9]]
        line, quiet = mean[at - 1 : at + 2].sum(), 3 * float(np.median(around))
        peak = at - 3 + int(mean[at - 3 : at + 4].argmax())
        each = 10 * np.log10(power[:, at - 1 : at + 2].sum(axis=1) + 1e-20)
        over = 10 * np.log10(line / max(quiet, 1e-20))
        if over >= LINE_DB and each.std() <= STEADY_DB and abs(_centre(mean, peak) - k * mains_hz) <= OFF_HZ:
            lines.append((line - quiet, over))
    if not lines or (len(lines) < 2 and lines[0][1] < ALONE_DB):
        return None
    return float(10 * np.log10(sum(line for line, _ in lines))), float(max(over for _, over in lines))


def _centre(mean: np.ndarray, peak: int) -> float:
    """Return the frequency of a peak, by a parabola through three levels in dB."""
    left, top, right = 10 * np.log10(mean[peak - 1 : peak + 2] + 1e-30)
    bend = left - 2 * top + right
    return float((peak + (0.5 * (left - right) / bend if bend < 0 else 0.0)) / WINDOW_S)


def _sum_db(levels_db: np.ndarray) -> np.ndarray:
    """Return the sum of each row's levels; NaN where one is unknown."""
    return np.asarray(10 * np.log10((10 ** (levels_db / 10)).sum(axis=1)))
