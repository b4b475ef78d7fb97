"""Log-mel frames: the one transform that notes, noise hits and embeddings share.

A frame every 10 ms, centred at ``index * 0.01`` s; 80 bands from 20 Hz to 20 kHz on the HTK mel scale, in dB
re full scale (a full-scale sine reads about 0 dB in its band). Waveforms come in blocks of any length, shape
(channel, sample); frames go out in order, shape (channel, mel, frame), the same whatever the blocks.
"""

from collections.abc import Iterable, Iterator
from functools import lru_cache

import numpy as np
import torch
from torchaudio.functional import melscale_fbanks

from triage.domain.errors import AudioError

HOP_S = 0.01
N_MELS = 80
F_MIN_HZ = 20.0
F_MAX_HZ = 20_000.0
WINDOW_S = 2048 / 48_000  # long enough for the mel bands below 100 Hz, short enough for attacks
SILENCE_DB = -120.0
CHUNK = 128  # frames transformed at once: what stays in a core's cache is much faster
BANDS_OVER_RMS_DB = 4.77  # all bands of a frame together: twice the mean square (a sine reads 0) times 1.5 (Hann)


def finite(samples: np.ndarray) -> np.ndarray:
    """Return samples with silence for what is not finite; the same array where all are, which one sum tells."""
    return samples if np.isfinite(samples.sum()) else np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)


def power_of(levels_db: np.ndarray) -> np.ndarray:
    """Return 10^(L / 10) of levels in dB: by the exponential, which is faster than a power of ten."""
    return np.exp(levels_db * np.float32(np.log(10) / 10))


def percentile(rows: np.ndarray, percent: float) -> np.ndarray:
    """Return a percentile of each row [shape=(..., n) -> (...)], n >= 1, with linear interpolation.

    As numpy's own, which is slow along many rows.
    """
    place = percent / 100 * (rows.shape[-1] - 1)
    low = int(place)
    high = min(low + 1, rows.shape[-1] - 1)
    ranked = np.partition(rows, (low, high), axis=-1)
    return np.asarray(ranked[..., low] + (ranked[..., high] - ranked[..., low]) * (place - low))


@lru_cache(maxsize=8)
def _filters(rate_hz: int, n_fft: int) -> torch.Tensor:
    """Return the bands' weights (bin, mel), made once: they take longer than a note does."""
    return melscale_fbanks(n_fft // 2 + 1, F_MIN_HZ, min(F_MAX_HZ, rate_hz / 2), N_MELS, rate_hz, mel_scale="htk")


class LogMel:
    """The transform for one sample rate.

    Parameters
    ----------
    rate_hz : int
        Sample rate, 8 kHz or more. Bands above the Nyquist frequency read SILENCE_DB.
    """

    def __init__(self, rate_hz: int):
        if rate_hz < 8_000:
            raise AudioError(f"sample rate {rate_hz} Hz is below 8000 Hz: not a music recording")
        self.rate_hz = rate_hz
        self.hop = round(HOP_S * rate_hz)
        self.n_fft = 2 ** round(np.log2(WINDOW_S * rate_hz))
        self.window = torch.hann_window(self.n_fft, periodic=True)
        self.bands = _filters(rate_hz, self.n_fft)
        # a full-scale sine at a bin's centre has |X| = sum(window) / 2
        self.scale = 4.0 / float(self.window.sum()) ** 2
        used = int(torch.nonzero(self.bands.sum(dim=1)).max()) + 1  # bins below F_MAX_HZ
        self.both = (self.bands[:used] * self.scale).repeat_interleave(2, dim=0)  # (real and imaginary part, mel)

    def band_hz(self) -> np.ndarray:
        """Return the centre frequency of each band, in Hz [shape=(N_MELS,)]."""
        mel_top = 2595 * np.log10(1 + min(F_MAX_HZ, self.rate_hz / 2) / 700)
        mel_low = 2595 * np.log10(1 + F_MIN_HZ / 700)
        return 700 * (10 ** (np.linspace(mel_low, mel_top, N_MELS + 2)[1:-1] / 2595) - 1)

    def frames(self, blocks: Iterable[np.ndarray]) -> Iterator[np.ndarray]:
        """Yield the frames of a take block by block.

        Parameters
        ----------
        blocks : iterable of ndarray, shape (channel, sample)
            Consecutive blocks of one take.

        Yields
        ------
        ndarray, shape (channel, mel, frame), float32
            Level of each band in dB re full scale, never below SILENCE_DB. Together ceil(samples / hop) frames.
        """
        half = self.n_fft // 2
        kept, total, done = None, 0, 0
        for block in map(finite, blocks):
            total += block.shape[1]
            kept = np.pad(block, ((0, 0), (half, 0))) if kept is None else np.concatenate((kept, block), 1)
            count = max(0, (kept.shape[1] - self.n_fft) // self.hop + 1)
            if count:
                yield self._transform(kept[:, : (count - 1) * self.hop + self.n_fft])
                kept, done = kept[:, count * self.hop :], done + count
        rest = -(-total // self.hop) - done
        if kept is not None and rest > 0:
            missing = (rest - 1) * self.hop + self.n_fft - kept.shape[1]
            yield self._transform(np.pad(kept, ((0, 0), (0, max(0, missing)))))[:, :, :rest]

    def __call__(self, waveform: np.ndarray) -> np.ndarray:
        """Return all frames of a waveform [shape=(channel, sample)] at once [shape=(channel, mel, frame)]."""
        return np.concatenate(list(self.frames([waveform])), axis=2)

    def _transform(self, padded: np.ndarray) -> np.ndarray:
        wave = torch.from_numpy(np.ascontiguousarray(padded, dtype=np.float32))
        count = (wave.shape[1] - self.n_fft) // self.hop + 1
        mel = torch.empty((len(wave), N_MELS, count))
        frames = wave.unfold(1, self.n_fft, self.hop)  # (channel, frame, sample), nothing copied
        for at in range(0, count, CHUNK):
            mel[:, :, at : at + CHUNK] = self._mel(frames[:, at : at + CHUNK]).transpose(1, 2)
        return (10 * torch.log10(mel.clamp_(min=10 ** (SILENCE_DB / 10)))).numpy()

    def _mel(self, frames: torch.Tensor) -> torch.Tensor:
        """Return the power in each band [shape=(channel, frame, mel)] of frames [shape=(channel, frame, sample)]."""
        parts = torch.view_as_real(torch.fft.rfft(frames * self.window)).flatten(2)  # re, im, re, im ...
        # The bands add real and imaginary parts up as well: one pass less over the largest array there is.
        return torch.matmul(parts[:, :, : len(self.both)].square(), self.both)
