"""Batches of the noise network's training: takes with noises among the notes, on several microphones of one room.

``NoiseRenderer.render`` renders a plan (layout.py) on the device, the notes, the natural sounds of playing them and
the noises apart, so that the target of each step is known: how far the noise stands over its masker on every
microphone (triage/listen/masking.py), and its kind; the same for natural sounds. Rows are takes, then microphones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.gpu_rendering import Renderer, add_segments, coloured_noise, joined_clips, warped
from training.layout import Plan, StageRecipe
from training.plans import NoiseClip
from training.pool import RATE_HZ, Pool
from training.recipe import Range
from triage.domain.kinds import NATURAL, NOISES
from triage.listen.logmel import LogMel
from triage.listen.masking import LOUDNESS_EXPONENT, bark, spreading_db
from triage.listen.mel_groups import GROUP, MEAN_FRAMES
from triage.listen.noise_network import STEP_S, STRIDE, marked

PLACES = 2  # of the noises of one take
FADE_S = 0.03
SOUND_M_S = 343.0
RING_S = 0.4  # of a room, that belongs to a noise
AUDIBLE_DB, FAINT_DB = 4.0, 1.0  # over the masker; between the two the label is unknown
MOST_MICS = 4
AFTER_NOTE = 0.2  # share of keys and bows at a note's end


class NoisyRecipe(StageRecipe):
    """StageRecipe and the noises."""

    quiet: float  # share of takes without a noise
    over_floor_db: Range  # of a noise's loudest 10 ms at the microphone nearest to it
    under_note: float  # share of noises whose level is set against the notes instead: by ``noise_db``
    made: float  # share of noises that are synthetic, not recorded
    note_missed: float  # share of notes that segmentation misses
    noise_taken: float  # share of noises that it takes for a note
    natural: float  # share of takes whose player is heard
    natural_db: dict[str, Range]  # of each natural sound's loudest 10 ms, against the part's usual note
    natural_taken: float  # share of natural sounds that a note is taken to begin with
    grain_db: Range  # of what a recorded note brings along while it sounds: its own noise or rumble, against the note


@dataclass(frozen=True)
class NoisyBatch:
    """Inputs and targets."""

    frames: Tensor  # (take, mic, mel, frame) dB
    marks: Tensor  # (take, MARKS, frame) note masks, as of triage.listen.noise_network.marked
    audible: Tensor  # (take, mic, step) dB over the masker, 0 where there is no noise
    present: Tensor  # (take, mic, step) 0 or 1: within a noise, from its first to its last audible step
    any: Tensor  # (take, step)
    kind: Tensor  # (take, step) index into NOISES where ``any``
    weight: Tensor  # (take, step) 0 where the label is unknown
    natural: Tensor  # (take, step) 0 or 1: a natural sound is audible
    sound: Tensor  # (take, step) index into NATURAL where ``natural``
    natural_weight: Tensor  # (take, step) 0 where the label is unknown


class _SceneEvents(NamedTuple):
    take: Tensor
    kind: Tensor
    start_s: Tensor
    end_s: Tensor
    note: Tensor | None = None  # index into the plan's notes, of a natural sound; -1 after one


class NoiseRenderer(Renderer):
    """Renders the noise network's batches."""

    kinds = tuple(NOISES)
    tails_at_once = mics_per_room = MOST_MICS
    recipe: NoisyRecipe

    def __init__(
        self,
        pool: Pool,
        samples: Tensor,
        clips: Sequence[NoiseClip],
        sounds: Sequence[NoiseClip],
        recipe: NoisyRecipe,
        seed: int,
    ):
        super().__init__(pool, samples, clips, recipe, seed)
        self.odds = self._odds(clips)
        self.sound, self.sounds = joined_clips(sounds, self.device, NATURAL)
        self.grains = coloured_noise(torch.linspace(-14.0, 0.0, 12, device=self.device), self.size, self.random)
        group_bark = bark(LogMel(RATE_HZ).band_hz().reshape(-1, GROUP).mean(axis=1))
        spread = 10 ** (spreading_db(group_bark[:, None] - group_bark[None, :]) / 10)
        self.spread = self._on_device(spread).to(torch.float32)

    def _odds(self, clips: Sequence[NoiseClip]) -> Tensor:
        """Return each clip's probability: synthetic or recorded first, then the kind, then the clip."""
        made = np.array([clip.source == "invented" for clip in clips])
        kind = np.array([self.kinds.index(clip.kind) for clip in clips])
        odds = np.zeros(len(clips))
        for source, share in ((made, self.recipe.made), (~made, 1 - self.recipe.made)):
            for own in np.unique(kind[source]):
                which = source & (kind == own)
                odds[which] = share / len(np.unique(kind[source])) / which.sum()
        return self._on_device(odds / odds.sum())

    def render(self, plan: Plan, mics: int, seed: int) -> NoisyBatch:
        """Render a plan as so many microphones record it, with its targets."""
        self.random.manual_seed(seed)
        takes = int(plan.row.max()) + 1
        player_m, noise_m, critical_m = self._places(takes, mics)
        floor_db = self._uniform((takes, mics), *self.recipe.floor_db)
        tails, colour = self._room_tails(takes, mics) / critical_m[..., None], self._colour(takes, mics)
        gain = (player_m**-2 + critical_m**-2).rsqrt()  # of the preamplifier: the player arrives at the same level
        response = gain[..., None] * colour
        path = response * (self._direct(player_m) + tails)
        music = torch.fft.irfft(torch.fft.rfft(self._dry(plan, takes))[:, None] * path, self.size)
        played, sounds = self._played(plan, takes)
        natural = torch.fft.irfft(torch.fft.rfft(played)[:, None] * path, self.size)
        noises, events = self._noises(takes, (noise_m, critical_m, gain, floor_db))
        spectrum = torch.fft.rfft(noises) * self._colour(takes, PLACES)  # (take, place, bin)
        noise = sum(spectrum[:, None, k] * response * (self._direct(noise_m[:, k]) + tails) for k in range(PLACES))
        noise = torch.fft.irfft(noise, self.size)[..., : self.count].flatten(0, 1)
        rows = torch.arange(takes * mics, device=self.device)
        floor = self._floor(10 ** (floor_db.flatten()[:, None] / 20), rows)
        music, natural = (wave[..., : self.count].flatten(0, 1) for wave in (music, natural))
        level = 10 ** (self._uniform((takes * mics, 1), -24.0, -6.0) / 20)
        frames = self.logmel((music + natural + noise + floor) * level)
        over = self._audible(noise * level, natural * level, (music + floor) * level, floor * level)
        audible, heard = (one.view(takes, mics, -1) for one in over)
        frames = frames.view(takes, mics, frames.shape[1], -1)
        marks = self._marks(plan, player_m, events, sounds, frames.shape[3])
        targets = (*self._noise_targets(audible, events, noise_m), *self._natural_targets(heard, sounds))
        return NoisyBatch(frames, marks, audible, *targets)

    def augment(self, batch: NoisyBatch) -> NoisyBatch:
        """Return a batch with each take's mel axis stretched and shifted anew: instruments that do not exist."""
        takes, mics = batch.frames.shape[:2]
        warp = self.recipe.warp
        stretch = 2 ** self._uniform((takes, 1), -warp, warp).expand(-1, mics).flatten()
        offset = self._uniform((takes, 1), -6.0 * warp, 6.0 * warp).expand(-1, mics).flatten()
        frames = warped(batch.frames.flatten(0, 1), stretch, offset)
        return replace(batch, frames=frames.view(batch.frames.shape))

    def _dry(self, plan: Plan, takes: int) -> Tensor:
        """Return the notes of every take, each with what its recording brings along while it sounds."""
        dry, recipe = super()._dry(plan, takes), self.recipe
        row, length = self._on_device(plan.row), self._on_device(self.pool.length[plan.note])
        own = self._randint(len(self.grains), (takes,))[row]
        start = own * self.size + self._randint(self.size - int(length.max()), (len(row),))
        at = (self._on_device(plan.at) - (self._uniform((len(row),), 0.0, 0.05) * RATE_HZ).long()).clamp(min=0)
        gain = 10 ** (self._uniform((takes,), *recipe.grain_db)[row] / 20)
        add_segments(dry, self.grains.flatten(), start, length, row, at, gain, None, round(FADE_S * RATE_HZ))
        return dry

    def _played(self, plan: Plan, takes: int) -> tuple[Tensor, _SceneEvents]:
        """Return the natural sounds of every take [take, sample] and when they are: before notes, some after them."""
        recipe, count = self.recipe, len(NATURAL)
        kind, start, length = self.sounds
        odds = self._uniform((takes, count), -0.3, 0.95).clamp(min=0.0)
        odds = odds * (self._uniform((takes, 1), 0, 1) < recipe.natural)
        ranges = [recipe.natural_db[name] for name in NATURAL]
        habit = torch.stack([self._uniform((takes,), *one) for one in ranges], dim=1)
        row = self._on_device(plan.row)
        note, which = torch.nonzero(self._uniform((len(row), count), 0, 1) < odds[row], as_tuple=True)
        clip = torch.multinomial((kind == which[:, None]).float(), 1, generator=self.random)[:, 0]
        longest = (self._uniform((len(note),), 0.15, 0.6) * RATE_HZ).long()
        rate = 2 ** self._uniform((len(note),), -0.3, 0.3)
        duration = torch.minimum(longest, ((length[clip] - 2) / rate).long()).clamp(min=64)
        onset = self._on_device(plan.at)[note]
        lead = (self._uniform((len(note),), 0.02, 0.2) * RATE_HZ).long()
        breath = which == NATURAL.index("lead-breath")
        at = onset - torch.where(breath, duration + lead // 2, lead)
        ends = onset + self._on_device(self.pool.end[plan.note])[note]
        late = ~breath & (self._uniform((len(note),), 0, 1) < AFTER_NOTE)
        at = torch.where(late, ends + (self._uniform((len(note),), -0.05, 0.15) * RATE_HZ).long(), at)
        at = at.clamp(0, self.count - 64)
        level_db = habit[row[note], which] + 2.5 * torch.randn(len(note), generator=self.random, device=self.device)
        played = torch.zeros(takes, self.size, device=self.device)
        fade = round(FADE_S * RATE_HZ)
        strength = 10 ** (level_db / 20)
        add_segments(played, self.sound, start[clip], duration, row[note], at, strength, rate, fade)
        times = (at / RATE_HZ, (at + duration) / RATE_HZ)
        return played, _SceneEvents(row[note], which, *times, torch.where(late, -1, note))

    def _marks(self, plan: Plan, player_m: Tensor, events: _SceneEvents, sounds: _SceneEvents, frames: int) -> Tensor:
        """Return note masks as of segmentation: times a little off, few notes missing, few other sounds included."""
        row = self._on_device(plan.row)
        start_s = self._on_device(plan.at / RATE_HZ).to(torch.float32) + player_m[row, 0] / SOUND_M_S
        sounds_s = self._on_device(self.pool.end[plan.note] / RATE_HZ).to(torch.float32)
        end_s = start_s + sounds_s * self._uniform(sounds_s.shape, 0.9, 1.15) + self._uniform(sounds_s.shape, 0, 0.15)
        start_s = start_s + self._uniform(start_s.shape, -0.012, 0.012)
        assert sounds.note is not None
        early = (self._uniform(sounds.start_s.shape, 0, 1) < self.recipe.natural_taken) & (sounds.note >= 0)
        own_s = sounds.start_s.to(torch.float32) + player_m[sounds.take, 0] / SOUND_M_S
        start_s.scatter_reduce_(0, sounds.note[early], own_s[early], "amin")
        seen = self._uniform(start_s.shape, 0, 1) >= self.recipe.note_missed
        taken = self._uniform(events.start_s.shape, 0, 1) < self.recipe.noise_taken
        wrong_s = events.start_s.to(torch.float32)[taken]
        rows = torch.cat((row[seen], events.take[taken]))
        starts, ends = torch.cat((start_s[seen], wrong_s)), torch.cat((end_s[seen], wrong_s + 0.3))
        return torch.stack([marked(starts[rows == k], ends[rows == k], frames) for k in range(len(player_m))])

    def _places(self, takes: int, mics: int) -> tuple[Tensor, Tensor, Tensor]:
        """Return distances in m: player to mics (take, mic), noises to mics (take, place, mic), the critical one."""
        x = torch.cat((self._uniform((takes, 1), 0.4, 2.5), self._uniform((takes, mics - 1), 1.0, 12.0)), dim=1)
        y = self._uniform((takes, mics), -3.0, 3.0)
        y[:, 0] *= 0.3
        near = self._randint(mics, (takes, PLACES))
        at = (
            x.gather(1, near) + self._uniform((takes, PLACES), -1.5, 1.5),
            y.gather(1, near) + self._uniform((takes, PLACES), -1.5, 1.5),
        )
        away = torch.hypot(at[0][..., None] - x[:, None], at[1][..., None] - y[:, None])
        critical = self._uniform((takes, 1), 1.0, 4.0).expand(-1, mics)
        return torch.hypot(x, y).clamp(min=0.3), away.clamp(min=0.3), critical

    def _room_tails(self, takes: int, mics: int) -> Tensor:
        """Return spectra of the tails (take, mic, bin); those of one take are of one room."""
        room = self._randint(len(self.tails) // MOST_MICS, (takes,))
        index = room[:, None] * MOST_MICS + torch.arange(mics, device=self.device)
        return torch.fft.rfft(self.tails[index], self.size)

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

    def _noises(self, takes: int, levels: tuple[Tensor, Tensor, Tensor, Tensor]) -> tuple[Tensor, _SceneEvents]:
        """Return noises [take, place, sample] at random times and levels, in order of take and time."""
        recipe = self.recipe
        noise_m, critical_m, gain, floor_db = levels
        kind, start, length = self.clips
        count = round(takes * recipe.noises)
        noisy = max(1, round(takes * (1 - recipe.quiet)))
        clip = torch.multinomial(self.odds, count, True, generator=self.random)
        take = self._randint(noisy, (count,))
        at = (self._uniform((count,), 0.1, recipe.take_s - 0.4) * RATE_HZ).long()
        order = torch.argsort(take * self.size + at)
        take, at, clip = take[order], at[order], clip[order]
        place = self._randint(PLACES, (count,))
        energy = (noise_m[take, place] ** -2 + critical_m[take] ** -2) * gain[take] ** 2  # (event, mic)
        best = energy.argmax(dim=1)
        over = floor_db[take, best] + self._uniform((count,), *recipe.over_floor_db)
        under = -self._uniform((count,), *recipe.noise_db)
        level_db = torch.where(self._uniform((count,), 0, 1) < recipe.under_note, under, over.clamp(max=-2.0))
        strength = 10 ** (level_db / 20) / energy.gather(1, best[:, None])[:, 0].sqrt()
        rate = 2 ** self._uniform((count,), -0.4, 0.4)
        longest = (self._uniform((count,), 0.1, 0.9) * RATE_HZ).long()
        duration = torch.minimum(longest, ((length[clip] - 2) / rate).long()).clamp(min=64)
        noises = torch.zeros(takes * PLACES, self.size, device=self.device)
        row = take * PLACES + place
        add_segments(noises, self.noise, start[clip], duration, row, at, strength, rate, round(FADE_S * RATE_HZ))
        return noises.view(takes, PLACES, -1), _SceneEvents(take, kind[clip], at / RATE_HZ, (at + duration) / RATE_HZ)

    def _levels(self, waves: Tensor) -> Tensor:
        """Return the power of each mel group [row, group, frame]; see listen/mel_groups.py."""
        power = 10 ** (self.logmel(waves) / 10)
        power = power.view(len(power), -1, GROUP, power.shape[2]).sum(dim=2)
        padded = functional.pad(power, (MEAN_FRAMES // 2, MEAN_FRAMES - 1 - MEAN_FRAMES // 2), mode="replicate")
        return functional.avg_pool1d(padded, MEAN_FRAMES, 1)

    def _audible(self, noise: Tensor, natural: Tensor, music: Tensor, floor: Tensor) -> tuple[Tensor, Tensor]:
        """Return how far noise and natural sounds stand over their maskers [row, step] in dB (listen/masking.py)."""
        own, played, under = self._levels(noise), self._levels(natural), self._levels(music)
        quiet = self._levels(floor).mean(dim=2, keepdim=True)
        return self._over(own, under + played, quiet), self._over(played, under, quiet)

    def _over(self, own: Tensor, under: Tensor, quiet: Tensor) -> Tensor:
        masker = torch.maximum(self.spread @ under, quiet)
        share = torch.where(own > quiet, own**LOUDNESS_EXPONENT, 0.0)
        over = (share * (10 * torch.log10(own / masker)).clamp(min=0)).sum(dim=1) / share.sum(dim=1).clamp(min=1e-12)
        over = functional.pad(over, (0, -over.shape[1] % STRIDE))
        return over.view(len(over), -1, STRIDE).amax(dim=2)

    def _noise_targets(self, audible: Tensor, events: _SceneEvents, noise_m: Tensor) -> tuple[Tensor, ...]:
        """Return present, any, kind and weight of every step."""
        takes, _, steps = audible.shape
        late_s = noise_m.amax(dim=(1, 2))[events.take] / SOUND_M_S
        following = torch.cat((events.start_s[1:], events.start_s[:1]))
        same = torch.cat((events.take[1:] == events.take[:-1], events.take[:1] < 0))
        until_s = torch.minimum(events.end_s + RING_S, torch.where(same, following, torch.inf).clamp(min=0.04))
        window = self._within(events.start_s - STEP_S, until_s + late_s, steps)
        loud = (audible[events.take] > AUDIBLE_DB) & window[:, None]  # (event, mic, step)
        span = loud.cummax(dim=2).values & loud.flip(2).cummax(dim=2).values.flip(2)
        present = _highest(span.float(), events.take, takes)
        shown = span.any(dim=1)
        unknown = window & ~shown & (audible[events.take].amax(dim=1) > FAINT_DB)
        order = torch.arange(1, len(events.take) + 1, device=self.device, dtype=torch.float32)
        last = _highest(shown * order[:, None], events.take, takes).long()  # a later one covers an earlier one
        kind = torch.where(last > 0, events.kind[last.clamp(min=1) - 1], 0)
        any_ = present.amax(dim=1)
        weight = torch.maximum(1 - _highest(unknown.float(), events.take, takes), any_)
        return present, any_, kind, weight

    def _natural_targets(self, heard: Tensor, sounds: _SceneEvents) -> tuple[Tensor, Tensor, Tensor]:
        """Return natural, sound and natural_weight of every step."""
        takes, _, steps = heard.shape
        most = heard.amax(dim=1)
        window = self._within(sounds.start_s - STEP_S, sounds.end_s + RING_S, steps)
        kinds = _highest(window * (sounds.kind[:, None] + 1.0), sounds.take, takes).long()
        natural = (most > AUDIBLE_DB) & (kinds > 0)
        weight = natural | (most < FAINT_DB)
        return natural.float(), kinds.clamp(min=1) - 1, weight.float()

    def _within(self, start_s: Tensor, end_s: Tensor, steps: int) -> Tensor:
        """Return which steps lie between two times [event, step]."""
        centre_s = (torch.arange(steps, device=self.device) + 0.5) * STEP_S
        return (centre_s > start_s[:, None]) & (centre_s < end_s[:, None])


def _highest(values: Tensor, take: Tensor, takes: int) -> Tensor:
    """Return the highest value of the events of each take [event, ...] -> [take, ...]; 0 where there are none."""
    index = take.view(-1, *[1] * (values.dim() - 1)).expand_as(values)
    return torch.zeros(takes, *values.shape[1:], device=values.device).scatter_reduce_(0, index, values, "amax")
