"""Impulses: how far each sample lies from its prediction by the samples on both sides of it.

Waveforms (channel, sample) go in by blocks of any length; out comes, for each step of 0.5 ms, the highest
interpolation error, its robust scale, and what is left of it when a click of a few samples is removed. A digital
click stands out: the music is predictable there and the click is not, and nothing else happens at that moment.

Each 21 ms an autoregressive model of order 32 is fitted to 43 ms (Godsill and Rayner, Digital Audio Restoration,
1998, chapter 5); the error is that of its two-sided interpolator, which collects all of a click's energy.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import torch

ORDER = 32
FIT_S = 2048 / 48_000  # samples that one model is fitted to
STEP_S = 0.0005
MAD_TO_SIGMA = 1.482602218505602  # 1 / Phi^-1(0.75)
THIN = 2  # every second sample, and the blocks beside, are enough for a scale
WHITE = 1e-9  # of the power, added as white noise so that a pure tone can be solved
LEAST_SCALE = 1e-7  # of full scale: below the resolution of 24 bits
WORTH_SIGMAS, WORTH_RATIO = 6.0, 1.5  # of the scale, and to the fourth highest of the block: examined more closely
CHUNK = 128  # segments transformed at once: what stays in a core's cache is twice as fast
CLICK_REACH, AROUND = 3, 48  # samples to either side: where a click may lie, and where nothing else may


def autoregression(correlation: np.ndarray) -> np.ndarray:
    """Return the prediction error filters of many autocorrelations at once, by the Levinson-Durbin recursion.

    Solves sum_k a_k r_(j-k) = 0 for j = 1 ... p with a_0 = 1.

    Parameters
    ----------
    correlation : ndarray, shape (n, p + 1)
        Lags 0 to p. A row of zeros (silence) gives the filter 1, 0, 0 ...

    Returns
    -------
    ndarray, shape (n, p + 1)

    References
    ----------
    Levinson, J. Math. Phys. 25, 1947; Durbin, Rev. Inst. Int. Stat. 28, 1960.
    """
    r = np.ascontiguousarray(correlation.T, dtype=np.float64)  # lags first: every step works on whole rows
    a = np.zeros_like(r)
    a[0] = 1.0
    error = r[0] * (1 + WHITE) + 1e-30
    for j in range(1, len(r)):
        reflection = np.clip(-(a[:j] * r[j:0:-1]).sum(axis=0) / error, -1.0, 1.0)
        a[1 : j + 1] += reflection * a[j - 1 :: -1][:j]
        error *= np.maximum(1 - reflection**2, 1e-12)
    return np.ascontiguousarray(a.T)


def interpolator(filters: np.ndarray) -> np.ndarray:
    """Return the two-sided interpolation error filters that belong to prediction error filters.

    b_m = sum_k a_k a_(k+m) / sum_k a_k^2, m = -p ... p: the error of the best linear guess of a sample from all
    others. A click of height A leaves A in it, beside noise of sigma / sqrt(sum a^2) instead of sigma.

    Parameters
    ----------
    filters : ndarray, shape (n, p + 1)

    Returns
    -------
    ndarray, shape (n, 2 p + 1)
        b_0 = 1 in the middle.

    References
    ----------
    Godsill and Rayner, 1998, chapter 5 (matched filtering of the residual; least squares interpolation).
    """
    n, order = filters.shape[0], filters.shape[1] - 1
    size = 2 ** int(np.ceil(np.log2(2 * order + 2)))
    both = torch.fft.irfft(_power(torch.from_numpy(filters), size), size).numpy()
    b = np.concatenate((both[:, -order:], both[:, : order + 1]), axis=1) if order else np.ones((n, 1))
    return np.asarray(b / b[:, order : order + 1])


class ErrorTrack(NamedTuple):
    """The interpolation error at each step of 0.5 ms; arrays of shape (channel, step)."""

    error: np.ndarray  # highest interpolation error
    sigma: np.ndarray  # robust scale of the error in the 21 ms around
    left: np.ndarray  # highest error around once a click is removed; infinite where none was looked for


class ImpulseDetector:
    """Follows the samples of a take block by block; block borders do not affect what it finds.

    Parameters
    ----------
    rate_hz, n_channels : int
    """

    def __init__(self, rate_hz: int, n_channels: int):
        self.step = max(1, round(STEP_S * rate_hz))
        fit = 2 ** round(np.log2(FIT_S * rate_hz))
        self.hop = fit // 2 // self.step * self.step  # a whole number of steps
        self.side = (fit - self.hop + 1) // 2
        self._waiting = np.zeros((n_channels, self.side), np.float32)
        self._n_channels, self._samples = n_channels, 0
        self._tracks: list[ErrorTrack] = []

    def add(self, block: np.ndarray) -> None:
        """Add the next block [shape=(channel, sample)], every value finite."""
        self._samples += block.shape[1]
        self._waiting = np.concatenate((self._waiting, block.astype(np.float32, copy=False)), axis=1)
        count = (self._waiting.shape[1] - 2 * self.side) // self.hop
        if count > 0:
            self._tracks.append(self._measure(self._waiting[:, : count * self.hop + 2 * self.side], count))
            self._waiting = self._waiting[:, count * self.hop :]

    def finish(self) -> ErrorTrack:
        """Return the error track of the whole take, as many steps as there are whole ones in it."""
        steps, tracks = self._samples // self.step, list(self._tracks)
        rest = self._waiting.shape[1] - self.side
        if rest > 0:
            count = -(-rest // self.hop)
            padded = np.pad(self._waiting, ((0, 0), (0, count * self.hop + self.side - rest)))
            tracks.append(self._measure(padded, count))
        if not tracks:
            return ErrorTrack(*np.zeros((3, self._n_channels, 0)))
        error, sigma, left = (np.concatenate(part, axis=1)[:, :steps] for part in zip(*tracks, strict=True))
        # Where the take begins and ends the predictor has no samples: no error is known there.
        edge = -(-ORDER // self.step)
        error[:, :edge], error[:, max(0, steps - edge) :] = 0.0, 0.0
        return ErrorTrack(error, self._smooth(sigma), left)

    def _smooth(self, sigma: np.ndarray) -> np.ndarray:
        """Return the geometric mean of each block's scale and its neighbours'; a last part of a block has none."""
        each = self.hop // self.step
        whole = sigma[:, : max(1, sigma.shape[1] // each) * each : each]
        levels = np.pad(np.log(whole), ((0, 0), (1, 1)), mode="edge")
        mean = np.exp((levels[:, :-2] + levels[:, 1:-1] + levels[:, 2:]) / 3)
        smooth = np.repeat(mean, each, axis=1)
        return np.pad(smooth, ((0, 0), (0, max(0, sigma.shape[1] - smooth.shape[1]))), mode="edge")[
            :, : sigma.shape[1]
        ]

    def _measure(self, samples: np.ndarray, count: int) -> ErrorTrack:
        """Return the error track of ``count`` blocks of every channel."""
        size = self.hop + 2 * self.side
        # Writeable only because torch takes no other: nothing is written, nor copied.
        windows = np.lib.stride_tricks.sliding_window_view(samples, size, axis=1, writeable=True)
        segments = windows[:, :: self.hop][:, :count]
        error, b = interpolation_error(segments.reshape(-1, size), self.side, AROUND + CLICK_REACH)
        middle = np.abs(error[:, AROUND + CLICK_REACH : -AROUND - CLICK_REACH])
        sigma = np.maximum(MAD_TO_SIGMA * _medians(middle[:, ::THIN]), LEAST_SCALE)
        peaks = highest(middle, self.step)  # (block, step)
        steps = middle.reshape(len(middle), -1, self.step)
        usual = np.partition(peaks, -4, axis=1)[:, -4]
        worth = peaks > np.maximum(WORTH_SIGMAS * sigma, WORTH_RATIO * usual)[:, None]
        left = np.full(peaks.shape, np.inf, np.float32)
        rows, columns = np.nonzero(worth)
        if len(rows):
            at = columns * self.step + steps[rows, columns].argmax(axis=1)
            left[rows, columns] = _left(error, b, rows, at)
        shape = (len(samples), -1)
        return ErrorTrack(peaks.reshape(shape), np.repeat(sigma, peaks.shape[1]).reshape(shape), left.reshape(shape))


def interpolation_error(segments: np.ndarray, side: int, more: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return the interpolation error of the middle of many segments, each under its own model.

    Parameters
    ----------
    segments : ndarray, shape (n, sample), float32
        The model is fitted to the whole of each, under a Hann window.
    side : int
        Samples left out at either end.
    more : int
        So many of them are not: side >= ORDER + more.

    Returns
    -------
    error : ndarray, shape (n, sample - 2 side + 2 more)
    b : ndarray, shape (n, 2 ORDER + 1)
        The interpolators.
    """
    size = segments.shape[1]
    wave = torch.from_numpy(np.require(segments, np.float32, "W"))
    window = torch.hann_window(size)
    # Lags wrap round the segment, where the window has faded both ends away. Single precision can fail to solve.
    correlation = torch.cat(
        [_correlation(_power(part * window).double(), size) for part in wave.split(CHUNK)]
    ).numpy()
    b = torch.from_numpy(interpolator(autoregression(correlation)).astype(np.float32))
    middle = wave[:, side - ORDER - more : size - side + ORDER + more]
    return torch.nn.functional.conv1d(middle[None], b[:, None], groups=len(b))[0].numpy(), b.numpy()


def highest(values: np.ndarray, step: int) -> np.ndarray:
    """Return the highest of every ``step`` values [shape=(row, column) -> (row, column / step)].

    numpy's own maximum over so short an axis takes seven times as long.
    """
    if not values.shape[1]:
        return np.zeros((len(values), 0), values.dtype)
    return np.asarray(torch.nn.functional.max_pool1d(torch.from_numpy(values), step).numpy())


def _medians(rows: np.ndarray) -> np.ndarray:
    """Return each row's median; sorting short rows is far faster than numpy's median."""
    ordered, middle = np.sort(rows, axis=1), rows.shape[1] // 2
    return ordered[:, middle - 1 + rows.shape[1] % 2 : middle + 1].mean(axis=1)


def _power(samples: torch.Tensor, size: int | None = None) -> torch.Tensor:
    parts = torch.view_as_real(torch.fft.rfft(samples, size))  # (n, bin, 2)
    return parts[..., 0].square() + parts[..., 1].square()


def _correlation(power: torch.Tensor, size: int) -> torch.Tensor:
    """Return the autocorrelation at lags 0 to ORDER [shape=(n, lag)] of power spectra [shape=(n, size / 2 + 1)].

    The cosine of an even lag is the same on both sides of the middle bin, that of an odd one the opposite: folded
    there, half the products do.
    """
    quarter, found = size // 4, power.new_empty(len(power), ORDER + 1)
    low, high = power[:, : quarter + 1], power.flip(1)[:, : quarter + 1]
    for first, folded in ((0, low + high), (1, low - high)):
        torch.matmul(folded, _lags(size)[:, first::2].contiguous(), out=found[:, first::2])
    return found


@lru_cache(maxsize=8)
def _lags(size: int) -> torch.Tensor:
    """Return the weights of the lower half of the bins in the autocorrelation at each lag [shape=(bin, lag)]."""
    bins = np.arange(size // 4 + 1)
    weight = np.where(bins == 0, 1.0, np.where(bins == size / 4, 1.0, 2.0)) / size  # the middle bin is in both halves
    cosine = np.cos(2 * np.pi * np.outer(bins, np.arange(ORDER + 1)) / size)
    return torch.from_numpy(weight[:, None] * cosine)


def _left(error: np.ndarray, b: np.ndarray, rows: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the highest error around each place once the click that explains most of it is removed.

    The heights of CLICK_REACH samples to either side are fitted by least squares: each leaves its row's b behind.
    """
    reach, around = CLICK_REACH, AROUND + CLICK_REACH
    near = error[rows[:, None], at[:, None] + np.arange(2 * around + 1)]  # (place, sample)
    trace = np.pad(b[rows], ((0, 0), (around - ORDER, around - ORDER)))
    shifts = np.stack([np.roll(trace, shift, axis=1) for shift in range(-reach, reach + 1)], axis=2)
    gram = np.einsum("nst,nsu->ntu", shifts, shifts) + 1e-6 * np.eye(2 * reach + 1)
    heights = np.linalg.solve(gram, np.einsum("nst,ns->nt", shifts, near)[..., None])
    return np.abs(near - (shifts @ heights)[..., 0])[:, reach:-reach].max(axis=1)
