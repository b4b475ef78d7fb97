"""Rendering on the device: what the batches of both networks share, and the signal processing under it.

Tensors have shape (row, sample) at RATE_HZ; generators decide everything random.
"""

from collections.abc import Sequence

import numpy as np
import torch
from scipy.fft import next_fast_len
from torch import Tensor

from training.layout import Plan, StageRecipe
from training.plans import NoiseClip
from training.pool import PEAK, RATE_HZ, Pool
from training.recipe import Range
from training.rooms import BAND_DECAY, BANDS_HZ
from triage.listen.encoder import NOISES
from triage.listen.logmel import SILENCE_DB, LogMel


class Renderer:
    """Rooms, microphones and noises on the device, ready to render plans; subclasses make the batches.

    Parameters
    ----------
    pool : Pool
    samples : Tensor[sample]
        The pool's samples, on the device that renders.
    clips : sequence of NoiseClip
        At RATE_HZ.
    recipe : StageRecipe
    seed : int
        Of the rooms and noise floors; what is drawn from them follows the seed of ``render``.
    """

    kinds: Sequence[str] = NOISES
    tails_at_once, mics_per_room = 32, 1

    def __init__(self, pool: Pool, samples: Tensor, clips: Sequence[NoiseClip], recipe: StageRecipe, seed: int):
        self.pool, self.samples, self.recipe, self.device = pool, samples, recipe, samples.device
        device = self.device
        self.count = round(recipe.take_s * RATE_HZ)
        self.tail_count = round(recipe.rt60_s[1] * RATE_HZ)
        self.size = fast_size(self.count + self.tail_count)
        self.random = torch.Generator(device).manual_seed(seed)
        self.tails = self._draw_tails()
        self.floors = coloured_noise(torch.linspace(-6.0, 0.0, 16, device=device), self.size, self.random)
        self.noise, self.clips = joined_clips(clips, device, self.kinds)
        self.logmel = DeviceLogMel(RATE_HZ, device)
        hz = torch.fft.rfftfreq(self.size, 1 / RATE_HZ, device=device).clamp(min=20.0)
        knots = torch.linspace(np.log2(30.0), np.log2(20_000.0), 10, device=device)
        near = (1 - (torch.log2(hz) - knots[:, None]).abs() / (knots[1] - knots[0])).clamp(min=0)
        self.colours = near / near.sum(dim=0).clamp(min=1e-6)  # (knot, bin)

    def _draw_tails(self) -> Tensor:
        """Return the tails of all rooms [tail, sample]."""
        recipe, alike = self.recipe, self.mics_per_room
        at_once = max(alike, min(self.tails_at_once, recipe.rooms))
        starts = range(0, recipe.rooms, self.tails_at_once)
        return torch.cat([diffuse_tails(at_once, self.tail_count, recipe.rt60_s, self.random, alike) for _ in starts])

    def _uniform(self, shape: tuple[int, ...], low: float, high: float) -> Tensor:
        return torch.rand(shape, generator=self.random, device=self.device) * (high - low) + low

    def _randint(self, high: int, shape: tuple[int, ...]) -> Tensor:
        return torch.randint(high, shape, generator=self.random, device=self.device)

    def _colour(self, *shape: int) -> Tensor:
        """Return the frequency responses of random microphones [*shape, bin]."""
        knots = torch.randn(*shape, len(self.colours), generator=self.random, device=self.device)
        return 10 ** (self.recipe.colour_db * (knots @ self.colours) / 40)

    def _on_device(self, values: np.ndarray) -> Tensor:
        return torch.from_numpy(values).to(self.device)

    def _dry(self, plan: Plan, takes: int) -> Tensor:
        """Return the notes of every take at their onsets [take, sample]."""
        pool, note = self.pool, plan.note
        gain = self._on_device(10 ** (pool.gain_db[note] / 20) / PEAK).to(torch.float32)
        length = np.minimum(pool.length[note], self.size - plan.at)
        dry = torch.zeros(takes, self.size, device=self.device)
        start, count, row, at = map(self._on_device, (pool.start[note], length, plan.row, plan.at))
        add_segments(dry, self.samples, start, count, row, at, gain)
        return dry

    def _floor(self, level: Tensor, mic: Tensor) -> Tensor:
        """Return every row's own noise [row, sample] at ``level`` [mic, 1], of its mic's colour, and hum in some."""
        mics = len(level)
        slope = self._randint(len(self.floors), (mics,))[mic]
        first = self._randint(self.size - self.count, (len(mic),))
        time = torch.arange(self.count, device=self.device)
        noise = self.floors[slope[:, None], first[:, None] + time]
        hum_hz = torch.where(self._uniform((mics, 1), 0, 1) < 0.5, 50.0, 60.0)
        phase = 2 * np.pi * hum_hz * time / RATE_HZ
        hum = sum(torch.sin(k * phase + k) / k for k in (1, 2, 3, 5))
        hum = hum * (self._uniform((mics, 1), 0, 1) < 0.2) * self._uniform((mics, 1), 0.1, 1.0)
        return level[mic] * (noise + hum[mic])


class DeviceLogMel:
    """The frames of triage.listen.logmel.LogMel, of many whole takes at once, on a device."""

    def __init__(self, rate_hz: int, device: torch.device):
        self.mel = LogMel(rate_hz)
        self.window, self.bands = self.mel.window.to(device), self.mel.bands.T.contiguous().to(device)

    def __call__(self, waves: Tensor) -> Tensor:
        """Return frames [row, mel, frame] in dB of waves [row, sample]."""
        frames = []
        for rows in waves.split(32):  # the spectra of all rows at once would fill the memory of a small GPU
            spectrum = torch.stft(
                rows,
                self.mel.n_fft,
                self.mel.hop,
                window=self.window,
                center=True,
                pad_mode="constant",
                return_complex=True,
            )
            power = torch.view_as_real(spectrum).square().sum(dim=-1) * self.mel.scale
            frames.append(10 * torch.log10((self.bands @ power).clamp(min=10 ** (SILENCE_DB / 10))))
        return torch.cat(frames)[:, :, : -(-waves.shape[1] // self.mel.hop)]


def add_segments(
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
    """Add segments of ``samples`` into rows of ``out``, ``rate`` times as fast, with a fade at the end."""
    length = torch.minimum(length, out.shape[1] - at)
    segment = torch.repeat_interleave(torch.arange(len(start), device=out.device), length)
    within = torch.arange(len(segment), device=out.device) - (length.cumsum(0) - length)[segment]
    if rate is None:
        value = samples[start[segment] + within].float()
    else:
        place = within * rate[segment]
        whole = place.long()
        low, high = (samples[start[segment] + whole + step].float() for step in (0, 1))
        value = low + (high - low) * (place - whole)
    value = value * (gain[segment] * ((length[segment] - within) / fade).clamp(max=1))
    out.view(-1).index_add_(0, row[segment] * out.shape[1] + at[segment] + within, value)


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
    """Return the next even length with factors 2, 3 and 5 alone, which the FFT handles fast."""
    size = next_fast_len(least, real=True)
    while size % 2:
        size = next_fast_len(size + 1, real=True)
    return int(size)


def diffuse_tails(count: int, samples: int, rt60_s: Range, random: torch.Generator, alike: int = 1) -> Tensor:
    """Return reverberation tails of energy 1 [tail, sample], each with its own decay time, shorter in the treble.

    Each ``alike`` consecutive tails share a decay time: microphones of one room. training/rooms.py is the same for
    built sessions.
    """
    device = random.device
    decay_s = rt60_s[0] * (rt60_s[1] / rt60_s[0]) ** torch.rand((count // alike, 1), generator=random, device=device)
    decay_s = decay_s.repeat_interleave(alike, dim=0)
    time_s = torch.arange(samples, device=device) / RATE_HZ
    white = torch.fft.rfft(torch.randn(count, samples, generator=random, device=device))
    hz = torch.fft.rfftfreq(samples, 1 / RATE_HZ, device=device)
    tails = torch.zeros(count, samples, device=device)
    for low, high, share in zip((0.0, *BANDS_HZ), (*BANDS_HZ, RATE_HZ), BAND_DECAY, strict=True):
        band = torch.fft.irfft(white * ((hz >= low) & (hz < high)), samples)
        tails += band * 10 ** (-3 * time_s / (share * decay_s))
    tails *= (time_s / 0.01).clamp(max=1)
    return tails / tails.square().sum(dim=1, keepdim=True).sqrt()


def warped(frames: Tensor, stretch: Tensor, shift: Tensor) -> Tensor:
    """Return frames [row, mel, frame] resampled at band * stretch + shift, linearly interpolated, edges repeated."""
    band = torch.arange(frames.shape[1], device=frames.device) * stretch[:, None] + shift[:, None]
    band = band.clamp(0, frames.shape[1] - 1.001)[:, :, None].expand(-1, -1, frames.shape[2])
    low = band.long()
    below, above = frames.gather(1, low), frames.gather(1, low + 1)
    return below + (above - below) * (band - low)
