"""The noise stage: takes of the pool's notes with noises among them, as several microphones of one room hear them.

``NoiseStage.hear`` renders a plan (layout.py) on the device, music and noises apart, so that what is true at each
step is known: how far every microphone's noise stands over what covers it (the rule of triage/listen/masking.py), and
which kind it is. Rows are takes, then microphones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.gpu_rendering import (
    DeviceLogMel,
    add_pieces,
    coloured_noise,
    diffuse_tails,
    fast_size,
    joined_clips,
    warped,
)
from training.layout import Plan, StageRecipe
from training.plans import NoiseClip
from training.pool import PEAK, RATE_HZ, Pool
from training.recipe import Range
from triage.domain.kinds import NOISES
from triage.listen.logmel import LogMel
from triage.listen.masking import LOUDNESS_EXPONENT, bark, spreading_db
from triage.listen.mel_groups import GROUP, MEAN_FRAMES
from triage.listen.noise_network import STEP_S, STRIDE, marked

PLACES = 2  # that the noises of one take come from
FADE_S = 0.03
SOUND_M_S = 343.0
RING_S = 0.4  # of a room, that belongs to a noise
HEARD_DB, FAINT_DB = 4.0, 1.0  # over what covers it: to be heard; between the two nobody can say
MOST_MICS = 4


class NoisyRecipe(StageRecipe):
    """StageRecipe with what noises need beside it."""

    quiet: float  # share of takes without a noise
    over_floor_db: Range  # of a noise's loudest 10 ms at the microphone nearest to it
    under_note: float  # share of noises whose level is set against the notes instead: by ``noise_db``
    made: float  # share of noises that are made, not recorded
    note_missed: float  # share of notes that segmentation misses
    noise_taken: float  # share of noises that it takes for a note


@dataclass(frozen=True)
class NoisyBatch:
    """What was heard and what is true of it."""

    frames: Tensor  # (take, mic, mel, frame) dB
    marks: Tensor  # (take, MARKS, frame) of the notes, as triage.listen.noise_network.marked
    audible: Tensor  # (take, mic, step) dB over what covers the noise, 0 where there is none
    there: Tensor  # (take, mic, step) 0 or 1: within a noise, from where it is first to where it is last heard
    any: Tensor  # (take, step)
    kind: Tensor  # (take, step) index into NOISES where ``any``
    weight: Tensor  # (take, step) 0 where nobody can say


class _Events(NamedTuple):
    take: Tensor
    kind: Tensor
    start_s: Tensor
    end_s: Tensor


class NoiseStage:
    """Rooms, microphones and noises on the device; arguments as of ``training.batches.Stage``."""

    def __init__(self, pool: Pool, samples: Tensor, clips: Sequence[NoiseClip], recipe: NoisyRecipe, seed: int):
        self.pool, self.samples, self.recipe, self.device = pool, samples, recipe, samples.device
        device = self.device
        self.count = round(recipe.take_s * RATE_HZ)
        self.tail_count = round(recipe.rt60_s[1] * RATE_HZ)
        self.size = fast_size(self.count + self.tail_count)
        self.random = torch.Generator(device).manual_seed(seed)
        rooms = -(-recipe.rooms // MOST_MICS) * MOST_MICS
        self.tails = torch.cat(
            [
                diffuse_tails(MOST_MICS, self.tail_count, recipe.rt60_s, self.random, MOST_MICS)
                for _ in range(rooms // MOST_MICS)
            ]
        )
        self.floors = coloured_noise(torch.linspace(-6.0, 0.0, 16, device=device), self.size, self.random)
        kinds = list(NOISES)
        self.noise, self.clips = joined_clips(clips, device, kinds)
        self.odds = self._odds(clips, kinds)
        self.logmel = DeviceLogMel(RATE_HZ, device)
        hz = torch.fft.rfftfreq(self.size, 1 / RATE_HZ, device=device).clamp(min=20.0)
        knots = torch.linspace(np.log2(30.0), np.log2(20_000.0), 10, device=device)
        near = (1 - (torch.log2(hz) - knots[:, None]).abs() / (knots[1] - knots[0])).clamp(min=0)
        self.colours = near / near.sum(dim=0).clamp(min=1e-6)  # (knot, bin)
        group_bark = bark(LogMel(RATE_HZ).band_hz().reshape(-1, GROUP).mean(axis=1))
        spread = 10 ** (spreading_db(group_bark[:, None] - group_bark[None, :]) / 10)
        self.spread = torch.from_numpy(spread).to(device, torch.float32)

    def _odds(self, clips: Sequence[NoiseClip], kinds: list[str]) -> Tensor:
        """Return how likely each clip is drawn: made or recorded first, then the kind, then the clip."""
        made = np.array([clip.source == "invented" for clip in clips])
        kind = np.array([kinds.index(clip.kind) for clip in clips])
        odds = np.zeros(len(clips))
        for source, share in ((made, self.recipe.made), (~made, 1 - self.recipe.made)):
            for own in np.unique(kind[source]):
                which = source & (kind == own)
                odds[which] = share / len(np.unique(kind[source])) / which.sum()
        return torch.from_numpy(odds / odds.sum()).to(self.device)

    def hear(self, laid: Plan, mics: int, seed: int) -> NoisyBatch:
        """Render a plan as so many microphones hear it, and say what is true of it."""
        self.random.manual_seed(seed)
        takes = int(laid.row.max()) + 1
        player_m, noise_m, critical_m = self._places(takes, mics)
        floor_db = self._uniform((takes, mics), *self.recipe.floor_db)
        tails, colour = self._tails(takes, mics), self._colours(takes, mics)
        gain = (player_m**-2 + critical_m**-2).rsqrt()  # of the preamplifier: the player arrives at the same level
        dry = torch.fft.rfft(self._dry(laid, takes))[:, None]
        heard = gain[..., None] * colour
        music = torch.fft.irfft(dry * heard * (self._direct(player_m) + tails / critical_m[..., None]), self.size)
        del dry
        hits, events = self._hits(takes, mics, (noise_m, critical_m, gain, floor_db))
        spectrum = torch.fft.rfft(hits)  # (take, place, bin)
        noise = sum(
            spectrum[:, None, k] * heard * (self._direct(noise_m[:, k]) + tails / critical_m[..., None])
            for k in range(PLACES)
        )
        noise = torch.fft.irfft(noise, self.size)[..., : self.count].flatten(0, 1)
        floor = self._floor(floor_db)
        clean = music[..., : self.count].flatten(0, 1) + floor
        level = 10 ** (self._uniform((takes * mics, 1), -24.0, -6.0) / 20)
        frames = self.logmel((clean + noise) * level)
        audible = self._audible(noise * level, clean * level, floor * level).view(takes, mics, -1)
        frames = frames.view(takes, mics, frames.shape[1], -1)
        return self._told(frames, self._marks(laid, player_m, events, frames.shape[3]), audible, events, noise_m)

    def again(self, batch: NoisyBatch) -> NoisyBatch:
        """Return a batch with each take's mel axis stretched and shifted anew: instruments that nobody has."""
        takes, mics = batch.frames.shape[:2]
        warp = self.recipe.warp
        stretch = 2 ** self._uniform((takes, 1), -warp, warp).expand(-1, mics).flatten()
        offset = self._uniform((takes, 1), -6.0 * warp, 6.0 * warp).expand(-1, mics).flatten()
        frames = warped(batch.frames.flatten(0, 1), stretch, offset)
        return replace(batch, frames=frames.view(batch.frames.shape))

    def _marks(self, laid: Plan, player_m: Tensor, events: _Events, frames: int) -> Tensor:
        """Return where the notes seem to stand: a little off, few missing, few noises taken for one."""
        row = torch.from_numpy(laid.row).to(self.device)
        start_s = torch.from_numpy(laid.at / RATE_HZ).to(self.device, torch.float32) + player_m[row, 0] / SOUND_M_S
        sounds_s = torch.from_numpy(self.pool.end[laid.note] / RATE_HZ).to(self.device, torch.float32)
        end_s = start_s + sounds_s * self._uniform(sounds_s.shape, 0.9, 1.15) + self._uniform(sounds_s.shape, 0, 0.15)
        start_s = start_s + self._uniform(start_s.shape, -0.012, 0.012)
        seen = self._uniform(start_s.shape, 0, 1) >= self.recipe.note_missed
        taken = self._uniform(events.start_s.shape, 0, 1) < self.recipe.noise_taken
        wrong_s = events.start_s.to(torch.float32)[taken]
        rows = torch.cat((row[seen], events.take[taken]))
        starts, ends = torch.cat((start_s[seen], wrong_s)), torch.cat((end_s[seen], wrong_s + 0.3))
        return torch.stack([marked(starts[rows == k], ends[rows == k], frames) for k in range(len(player_m))])

    def _uniform(self, shape: tuple[int, ...], low: float, high: float) -> Tensor:
        return torch.rand(shape, generator=self.random, device=self.device) * (high - low) + low

    def _places(self, takes: int, mics: int) -> tuple[Tensor, Tensor, Tensor]:
        """Return distances in m: player to mics (take, mic), noises to mics (take, place, mic), the critical one."""
        x = torch.cat((self._uniform((takes, 1), 0.4, 2.5), self._uniform((takes, mics - 1), 1.0, 12.0)), dim=1)
        y = self._uniform((takes, mics), -3.0, 3.0)
        y[:, 0] *= 0.3
        near = torch.randint(mics, (takes, PLACES), generator=self.random, device=self.device)
        at = (
            x.gather(1, near) + self._uniform((takes, PLACES), -1.5, 1.5),
            y.gather(1, near) + self._uniform((takes, PLACES), -1.5, 1.5),
        )
        away = torch.hypot(at[0][..., None] - x[:, None], at[1][..., None] - y[:, None])
        critical = self._uniform((takes, 1), 1.0, 4.0).expand(-1, mics)
        return torch.hypot(x, y).clamp(min=0.3), away.clamp(min=0.3), critical

    def _tails(self, takes: int, mics: int) -> Tensor:
        """Return spectra of the tails (take, mic, bin); those of one take are of one room."""
        room = torch.randint(len(self.tails) // MOST_MICS, (takes,), generator=self.random, device=self.device)
        index = room[:, None] * MOST_MICS + torch.arange(mics, device=self.device)
        return torch.fft.rfft(self.tails[index], self.size)

    def _colours(self, takes: int, mics: int) -> Tensor:
        knots = torch.randn(takes, mics, len(self.colours), generator=self.random, device=self.device)
        return 10 ** (self.recipe.colour_db * (knots @ self.colours) / 40)

    def _direct(self, away_m: Tensor) -> Tensor:
        """Return spectra (take, mic, bin) of the direct sound and a few early reflections at these distances."""
        takes, mics = away_m.shape
        early = torch.zeros(takes * mics, self.tail_count, device=self.device)
        far = away_m.flatten()[:, None]
        after_s = self._uniform((takes * mics, 8), 0.003, 0.05)
        sign = self._uniform((takes * mics, 8), -1, 1).sign() * self._uniform((takes * mics, 1), 0, 1)
        strength = torch.cat((1 / far, 0.5 * sign / (far + after_s * SOUND_M_S)), dim=1)
        arrive = far / SOUND_M_S * RATE_HZ
        early.scatter_add_(1, torch.cat((arrive, arrive + after_s * RATE_HZ), 1).long(), strength)
        return torch.fft.rfft(early, self.size).view(takes, mics, -1)

    def _dry(self, laid: Plan, takes: int) -> Tensor:
        """Return the notes of every take at their places [take, sample]."""
        pool, index = self.pool, laid.note
        gain = torch.from_numpy(10 ** (pool.gain_db[index] / 20) / PEAK).to(self.device, torch.float32)
        length = np.minimum(pool.length[index], self.size - laid.at)
        dry = torch.zeros(takes, self.size, device=self.device)
        row, start, length, at = (
            torch.from_numpy(own).to(self.device) for own in (laid.row, pool.start[index], length, laid.at)
        )
        add_pieces(dry, self.samples, start, length, row, at, gain)
        return dry

    def _floor(self, floor_db: Tensor) -> Tensor:
        """Return every microphone's own noise [row, sample], and hum in some."""
        level = 10 ** (floor_db.flatten()[:, None] / 20)
        rows = len(level)
        slope = torch.randint(len(self.floors), (rows,), generator=self.random, device=self.device)
        first = torch.randint(self.size - self.count, (rows,), generator=self.random, device=self.device)
        noise = self.floors[slope[:, None], first[:, None] + torch.arange(self.count, device=self.device)]
        hum_hz = torch.where(self._uniform((rows, 1), 0, 1) < 0.5, 50.0, 60.0)
        phase = 2 * np.pi * hum_hz * torch.arange(self.count, device=self.device) / RATE_HZ
        hum = sum(torch.sin(k * phase + k) / k for k in (1, 2, 3, 5))
        return level * (noise + hum * (self._uniform((rows, 1), 0, 1) < 0.2) * self._uniform((rows, 1), 0.1, 1.0))

    def _hits(self, takes: int, mics: int, heard: tuple[Tensor, Tensor, Tensor, Tensor]) -> tuple[Tensor, _Events]:
        """Return noises [take, place, sample] at random times and levels, in order of take and time."""
        recipe = self.recipe
        noise_m, critical_m, gain, floor_db = heard
        kind, start, length = self.clips
        count = round(takes * recipe.noises)
        noisy = max(1, round(takes * (1 - recipe.quiet)))
        clip = torch.multinomial(self.odds, count, True, generator=self.random)
        take = torch.randint(noisy, (count,), generator=self.random, device=self.device)
        at = (self._uniform((count,), 0.1, recipe.take_s - 0.4) * RATE_HZ).long()
        order = torch.argsort(take * self.size + at)
        take, at, clip = take[order], at[order], clip[order]
        place = torch.randint(PLACES, (count,), generator=self.random, device=self.device)
        energy = (noise_m[take, place] ** -2 + critical_m[take] ** -2) * gain[take] ** 2  # (event, mic)
        best = energy.argmax(dim=1)
        over = floor_db[take, best] + self._uniform((count,), *recipe.over_floor_db)
        under = -self._uniform((count,), *recipe.noise_db)
        level_db = torch.where(self._uniform((count,), 0, 1) < recipe.under_note, under, over.clamp(max=-2.0))
        strength = 10 ** (level_db / 20) / energy.gather(1, best[:, None])[:, 0].sqrt()
        rate = 2 ** self._uniform((count,), -0.4, 0.4)
        most = (self._uniform((count,), 0.1, 0.9) * RATE_HZ).long()
        long = torch.minimum(most, ((length[clip] - 2) / rate).long()).clamp(min=64)
        hits = torch.zeros(takes * PLACES, self.size, device=self.device)
        row = take * PLACES + place
        add_pieces(hits, self.noise, start[clip], long, row, at, strength, rate, round(FADE_S * RATE_HZ))
        return hits.view(takes, PLACES, -1), _Events(take, kind[clip], at / RATE_HZ, (at + long) / RATE_HZ)

    def _levels(self, waves: Tensor) -> Tensor:
        """Return the level of each part of the spectrum [row, part, frame], as power; see listen/decays.py."""
        power = 10 ** (self.logmel(waves) / 10)
        power = power.view(len(power), -1, GROUP, power.shape[2]).sum(dim=2)
        padded = functional.pad(power, (MEAN_FRAMES // 2, MEAN_FRAMES - 1 - MEAN_FRAMES // 2), mode="replicate")
        return functional.avg_pool1d(padded, MEAN_FRAMES, 1)

    def _audible(self, noise: Tensor, clean: Tensor, floor: Tensor) -> Tensor:
        """Return how far the noise stands over what covers it [row, step] in dB; see listen/masking.py."""
        own, under = self._levels(noise), self._levels(clean)
        quiet = self._levels(floor).mean(dim=2, keepdim=True)
        cover = torch.maximum(self.spread @ under, quiet)
        share = torch.where(own > quiet, own**LOUDNESS_EXPONENT, 0.0)
        over = (share * (10 * torch.log10(own / cover)).clamp(min=0)).sum(dim=1) / share.sum(dim=1).clamp(min=1e-12)
        over = functional.pad(over, (0, -over.shape[1] % STRIDE))
        return over.view(len(over), -1, STRIDE).amax(dim=2)

    def _told(self, frames: Tensor, marks: Tensor, audible: Tensor, events: _Events, noise_m: Tensor) -> NoisyBatch:
        takes, mics, steps = audible.shape
        centre_s = (torch.arange(steps, device=self.device) + 0.5) * STEP_S
        late_s = noise_m.amax(dim=(1, 2))[events.take] / SOUND_M_S
        following = torch.cat((events.start_s[1:], events.start_s[:1]))
        same = torch.cat((events.take[1:] == events.take[:-1], events.take[:1] < 0))
        until_s = torch.minimum(events.end_s + RING_S, torch.where(same, following, torch.inf).clamp(min=0.04))
        window = (centre_s > events.start_s[:, None] - STEP_S) & (centre_s < (until_s + late_s)[:, None])
        there = torch.zeros(takes, mics, steps, device=self.device)
        weight = torch.ones(takes, steps, device=self.device)
        kind = torch.zeros(takes, steps, dtype=torch.long, device=self.device)
        for i in range(len(events.take)):  # in order of time: a later one is laid over an earlier one
            take, own = events.take[i], window[i]
            heard = (audible[take] > HEARD_DB) & own
            span = heard.cummax(dim=1).values & heard.flip(1).cummax(dim=1).values.flip(1)
            there[take] = torch.maximum(there[take], span.float())
            doubtful = own & ~span.any(dim=0) & (audible[take].amax(dim=0) > FAINT_DB)
            weight[take] = torch.where(doubtful, 0.0, weight[take])
            kind[take] = torch.where(span.any(dim=0), events.kind[i], kind[take])
        most = there.amax(dim=1)
        return NoisyBatch(frames, marks, audible, there, most, kind, torch.maximum(weight, most))
