"""Sounds on the device: pieces added at their places, diffuse tails, coloured noise, noise clips end to end.

Tensors have shape (row, sample) at RATE_HZ; generators decide everything random.
"""

from collections.abc import Sequence

import numpy as np
import torch
from scipy.fft import next_fast_len
from torch import Tensor

from training.plans import NoiseClip
from training.pool import RATE_HZ
from training.recipe import Range
from training.rooms import BAND_DECAY, BANDS_HZ
from triage.listen.encoder import NOISES
from triage.listen.logmel import SILENCE_DB, LogMel


class DeviceLogMel:
    """The frames of triage.listen.logmel.LogMel, of many whole takes at once, on a device."""

    def __init__(self, rate_hz: int, device: torch.device):
        self.mel = LogMel(rate_hz)
        self.window, self.bands = self.mel.window.to(device), self.mel.bands.T.contiguous().to(device)

    def __call__(self, waves: Tensor) -> Tensor:
        """Return frames [row, mel, frame] in dB of waves [row, sample]."""
        found = []
        for part in waves.split(32):  # the spectra of all rows at once would fill the memory of a small card
            spectrum = torch.stft(
                part,
                self.mel.n_fft,
                self.mel.hop,
                window=self.window,
                center=True,
                pad_mode="constant",
                return_complex=True,
            )
            power = torch.view_as_real(spectrum).square().sum(dim=-1) * self.mel.scale
            found.append(10 * torch.log10((self.bands @ power).clamp(min=10 ** (SILENCE_DB / 10))))
        return torch.cat(found)[:, :, : -(-waves.shape[1] // self.mel.hop)]


def add_pieces(
    out: Tensor,
    samples: Tensor,
    start: Tensor,
    length: Tensor,
    row: Tensor,
    at: Tensor,
    gain: Tensor,
    rate: Tensor | None = None,
    fade: int = 1,
) -> None:
    """Add ragged pieces of ``samples`` into rows of ``out``, ``rate`` times as fast, with a fade at the end."""
    length = torch.minimum(length, out.shape[1] - at)
    piece = torch.repeat_interleave(torch.arange(len(start), device=out.device), length)
    within = torch.arange(len(piece), device=out.device) - (length.cumsum(0) - length)[piece]
    if rate is None:
        value = samples[start[piece] + within].float()
    else:
        place = within * rate[piece]
        whole = place.long()
        low, high = (samples[start[piece] + whole + step].float() for step in (0, 1))
        value = low + (high - low) * (place - whole)
    value = value * (gain[piece] * ((length[piece] - within) / fade).clamp(max=1))
    out.view(-1).index_add_(0, row[piece] * out.shape[1] + at[piece] + within, value)


def joined_clips(
    clips: Sequence[NoiseClip], device: torch.device, kinds: Sequence[str] = NOISES
) -> tuple[Tensor, tuple[Tensor, Tensor, Tensor]]:
    """Return the clips end to end, loudest 10 ms of each at RMS 1, and (index into kinds, start, length) of each."""
    waves = []
    for clip in clips:
        frame = np.convolve(clip.waveform**2, np.ones(480) / 480, mode="same")
        waves.append((clip.waveform / np.sqrt(frame.max() + 1e-20)).astype(np.float32))
    length = np.array([len(wave) for wave in waves])
    table = (np.array([kinds.index(clip.kind) for clip in clips]), np.cumsum(length) - length, length)
    kind, start, count = (torch.from_numpy(column).to(device) for column in table)
    return torch.from_numpy(np.concatenate(waves)).to(device), (kind, start, count)


def coloured_noise(slope_db_oct: Tensor, size: int, random: torch.Generator) -> Tensor:
    """Return noise of RMS 1 whose power falls by each slope [slope, sample], flat below 20 Hz."""
    spectrum = torch.fft.rfft(torch.randn(len(slope_db_oct), size, generator=random, device=slope_db_oct.device))
    octaves = torch.log2(torch.fft.rfftfreq(size, 1 / RATE_HZ, device=slope_db_oct.device).clamp(min=20.0) / 20.0)
    noise = torch.fft.irfft(spectrum * 10 ** (slope_db_oct[:, None] * octaves / 20), size)
    return noise / noise.square().mean(dim=1, keepdim=True).sqrt()


def fast_size(least: int) -> int:
    """Return the next even length that the FFT likes: only factors 2, 3 and 5."""
    size = next_fast_len(least, real=True)
    while size % 2:
        size = next_fast_len(size + 1, real=True)
    return int(size)


def diffuse_tails(count: int, samples: int, rt60_s: Range, random: torch.Generator, alike: int = 1) -> Tensor:
    """Return tails of energy 1 [tail, sample] that die by 60 dB in a time of their own, sooner in the treble.

    So many tails one after another are ``alike``: microphones of one room.

    As training/rooms.py makes them, one at a time, for built sessions.
    """
    device = random.device
    own_s = rt60_s[0] * (rt60_s[1] / rt60_s[0]) ** torch.rand((count // alike, 1), generator=random, device=device)
    own_s = own_s.repeat_interleave(alike, dim=0)
    time_s = torch.arange(samples, device=device) / RATE_HZ
    white = torch.fft.rfft(torch.randn(count, samples, generator=random, device=device))
    hz = torch.fft.rfftfreq(samples, 1 / RATE_HZ, device=device)
    tails = torch.zeros(count, samples, device=device)
    for low, high, share in zip((0.0, *BANDS_HZ), (*BANDS_HZ, RATE_HZ), BAND_DECAY, strict=True):
        band = torch.fft.irfft(white * ((hz >= low) & (hz < high)), samples)
        tails += band * 10 ** (-3 * time_s / (share * own_s))
    tails *= (time_s / 0.01).clamp(max=1)
    return tails / tails.square().sum(dim=1, keepdim=True).sqrt()


def warped(frames: Tensor, stretch: Tensor, shift: Tensor) -> Tensor:
    """Return frames [row, mel, frame] read at band * stretch + shift, between bands in proportion, edges held."""
    band = torch.arange(frames.shape[1], device=frames.device) * stretch[:, None] + shift[:, None]
    band = band.clamp(0, frames.shape[1] - 1.001)[:, :, None].expand(-1, -1, frames.shape[2])
    low = band.long()
    below, above = frames.gather(1, low), frames.gather(1, low + 1)
    return below + (above - below) * (band - low)
