"""Batches: takes of the pool's notes as random microphones in random rooms hear them, with what is true of them.

``Stage.hear`` renders every take of a plan (layout.py) twice on the device (two rooms, two microphones, two levels,
noises of their own) and returns log-mel frames, the notes' times as the tool would find them, and targets. Rows are
views x episodes x takes; everything follows from the seed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
from training.pool import KINDS, PEAK, RATE_HZ, Pool
from triage.listen.encoder import EVIDENCE, NOISES, STRIDE
from triage.listen.logmel import HOP_S

VIEWS = 2
FADE_S = 0.03  # at the end of a noise clip
AUDIBLE_DB, UNHEARD_DB = 3.0, 1.0  # rise of the eight bands that rise most; between the two nobody can say
NOISE = KINDS.index("noise")


@dataclass(frozen=True)
class Batch:
    """What was heard (rows = view, episode, take), and what is true of it."""

    frames: Tensor  # (row, mel, frame) dB
    lengths: Tensor  # (row,)
    times: Tensor  # (row, note, 3) s: start, end, end of the ring
    there: Tensor  # (row, note) bool
    kind: Tensor  # (row, note) index into KINDS
    sure: Tensor  # (row, note) bool: the kind can be relied on
    note: Tensor  # (row, note) index into the pool, -1 for none
    base: Tensor  # (row, note)
    pitch: Tensor  # (row, note)
    measures: Tensor  # (row, note, measure)
    evidence: Tensor  # (row, kind, step) 0 or 1
    weight: Tensor  # (row, kind, step) 0 where nobody can say


class Stage:
    """Rooms, microphones and noises on the device, ready to hear plans.

    Parameters
    ----------
    pool : Pool
    samples : Tensor[sample]
        The pool's samples, on the device that is to work.
    clips : sequence of NoiseClip
        At RATE_HZ.
    recipe : StageRecipe
    seed : int
        Of the rooms and floors; what is drawn from them follows the seed of ``hear``.
    """

    def __init__(self, pool: Pool, samples: Tensor, clips: Sequence[NoiseClip], recipe: StageRecipe, seed: int):
        self.pool, self.samples, self.recipe, self.device = pool, samples, recipe, samples.device
        device = self.device
        self.count = round(recipe.take_s * RATE_HZ)
        self.tail_count = round(recipe.rt60_s[1] * RATE_HZ)
        self.size = fast_size(self.count + self.tail_count)
        self.random = torch.Generator(device).manual_seed(seed)
        rooms = [
            diffuse_tails(min(32, recipe.rooms), self.tail_count, recipe.rt60_s, self.random)
            for _ in range(0, recipe.rooms, 32)
        ]
        self.tails = torch.cat(rooms)  # (room, sample)
        slope = torch.linspace(-6.0, 0.0, 16, device=device)
        self.floors = coloured_noise(slope, self.size, self.random)
        self.noise, self.clips = joined_clips(clips, device)
        self.logmel = DeviceLogMel(RATE_HZ, device)
        hz = torch.fft.rfftfreq(self.size, 1 / RATE_HZ, device=device).clamp(min=20.0)
        knots = torch.linspace(np.log2(30.0), np.log2(20_000.0), 10, device=device)
        near = 1 - (torch.log2(hz) - knots[:, None]).abs() / (knots[1] - knots[0])
        self.colours = near.clamp(min=0) / near.clamp(min=0).sum(dim=0).clamp(min=1e-6)  # (knot, bin)

    def hear(self, laid: Plan, seed: int) -> Batch:
        """Render a plan in two views and say what is true of it."""
        self.random.manual_seed(seed)
        recipe = self.recipe
        takes = recipe.episodes * recipe.takes
        row = torch.from_numpy(laid.row).to(self.device)
        dry = torch.fft.rfft(self._dry(laid, row, takes))
        direct, tail, delay_s = self._rooms()
        which = torch.arange(VIEWS * takes, device=self.device) // recipe.takes  # room of each row: view x episode
        clean = torch.fft.irfft(dry.repeat(VIEWS, 1) * (direct + tail)[which], self.size)[:, : self.count]
        clean += self._floor(which)
        hits, events = self._hits(VIEWS * takes)
        far = self._uniform((len(direct), 1), -12.0, 6.0)
        noise = torch.fft.rfft(hits) * (direct * 10 ** (far / 20) + tail)[which]
        noisy = clean + torch.fft.irfft(noise, self.size)[:, : self.count]
        gain = 10 ** (self._uniform((len(noisy), 1), -24.0, -6.0) / 20)
        frames, quiet = self.logmel(noisy * gain), self.logmel(clean * gain)
        rise_db = (frames - quiet).topk(8, dim=1).values.mean(dim=1)  # (row, frame)
        batch = self._told(laid, row, frames, rise_db, delay_s[which], events)
        stretch = 2 ** self._uniform((recipe.episodes,), -recipe.warp, recipe.warp)
        shift = self._uniform((recipe.episodes,), -6.0 * recipe.warp, 6.0 * recipe.warp)
        own = which % recipe.episodes  # both views of an episode alike: it is the instrument that changes
        return replace(batch, frames=warped(frames, stretch[own], shift[own]))

    def _uniform(self, shape: tuple[int, ...], low: float, high: float) -> Tensor:
        return torch.rand(shape, generator=self.random, device=self.device) * (high - low) + low

    def _dry(self, laid: Plan, row: Tensor, takes: int) -> Tensor:
        """Return the notes of every take at their places [take, sample]."""
        pool, index = self.pool, laid.note
        gain = torch.from_numpy(10 ** (pool.gain_db[index] / 20) / PEAK).to(self.device, torch.float32)
        length = np.minimum(pool.length[index], self.size - laid.at)
        dry = torch.zeros(takes, self.size, device=self.device)
        start, length, at = (torch.from_numpy(own).to(self.device) for own in (pool.start[index], length, laid.at))
        add_pieces(dry, self.samples, start, length, row, at, gain)
        return dry

    def _rooms(self) -> tuple[Tensor, Tensor, Tensor]:
        """Return spectra of the direct sound with its early reflections, and of the tail, and the delay in s.

        By view x episode: one room, place and microphone for all takes of an episode in a view.
        """
        count = VIEWS * self.recipe.episodes
        delay_s = self._uniform((count,), 0.002, 0.045)
        early = torch.zeros(count, self.tail_count, device=self.device)
        arrive = (delay_s * RATE_HZ).long()[:, None]
        after = (self._uniform((count, 8), 0.003, 0.05) * RATE_HZ).long()
        strength = 0.5 / (1 + after / RATE_HZ * 100) * self._uniform((count, 8), -1, 1).sign()
        strength *= self._uniform((count, 1), 0, 1)
        early.scatter_add_(
            1, torch.cat((arrive, arrive + after), 1), torch.cat((torch.ones_like(strength[:, :1]), strength), 1)
        )
        room = torch.randint(len(self.tails), (count,), generator=self.random, device=self.device)
        balance = 10 ** (self._uniform((count, 1), *self.recipe.direct_db) / 20)
        scale = (1 + balance.square()).rsqrt()
        knots = torch.randn(count, len(self.colours), generator=self.random, device=self.device)
        colour = 10 ** (self.recipe.colour_db * (knots @ self.colours) / 40)
        direct = torch.fft.rfft(early * balance * scale, self.size) * colour
        start = torch.arange(self.size // 2 + 1, device=self.device) / self.size
        late = torch.exp(-2j * np.pi * start * (arrive + 480))  # the tail starts 10 ms after the direct sound
        return direct, torch.fft.rfft(self.tails[room] * scale, self.size) * colour * late, delay_s

    def _floor(self, which: Tensor) -> Tensor:
        """Return every row's own noise, of one colour and level in a view of an episode, and hum in some."""
        count = int(which.max()) + 1
        level = 10 ** (self._uniform((count, 1), *self.recipe.floor_db) / 20)[which]
        slope = torch.randint(len(self.floors), (count,), generator=self.random, device=self.device)[which]
        first = torch.randint(self.size - self.count, (len(which),), generator=self.random, device=self.device)
        noise = self.floors[slope[:, None], first[:, None] + torch.arange(self.count, device=self.device)]
        hum_hz = torch.where(self._uniform((count, 1), 0, 1) < 0.5, 50.0, 60.0)
        phase = 2 * np.pi * hum_hz * torch.arange(self.count, device=self.device) / RATE_HZ
        hum = sum(torch.sin(k * phase + k) / k for k in (1, 2, 3, 5))  # (view x episode, sample)
        hum = hum * (self._uniform((count, 1), 0, 1) < 0.2) * self._uniform((count, 1), 0.1, 1.0)
        return level * (noise + hum[which])

    def _hits(self, rows: int) -> tuple[Tensor, tuple[Tensor, Tensor, Tensor, Tensor]]:
        """Return noises [row, sample] at random times and levels, and (row, kind, start, end) of each."""
        kind, start, length = self.clips
        count = round(rows * self.recipe.noises)
        clip = torch.randint(len(kind), (count,), generator=self.random, device=self.device)
        row = torch.randint(rows, (count,), generator=self.random, device=self.device)
        at = (self._uniform((count,), 0.1, self.recipe.take_s - 0.4) * RATE_HZ).long()
        rate = 2 ** self._uniform((count,), -0.4, 0.4)
        most = (self._uniform((count,), 0.15, 0.9) * RATE_HZ).long()
        heard = torch.minimum(most, ((length[clip] - 2) / rate).long()).clamp(min=64)
        gain = 10 ** (-self._uniform((count,), *self.recipe.noise_db) / 20)
        hits = torch.zeros(rows, self.size, device=self.device)
        add_pieces(hits, self.noise, start[clip], heard, row, at, gain, rate, round(FADE_S * RATE_HZ))
        return hits, (row, kind[clip], at / RATE_HZ, (at + heard) / RATE_HZ)

    def _told(
        self, laid: Plan, row: Tensor, frames: Tensor, rise_db: Tensor, delay_s: Tensor, events: tuple[Tensor, ...]
    ) -> Batch:
        """Put the notes' times and targets into arrays of (row, note)."""
        takes, most = self.recipe.episodes * self.recipe.takes, self.recipe.most_notes
        view = torch.arange(VIEWS, device=self.device).repeat_interleave(len(row))
        rows, place = view * takes + row.repeat(VIEWS), torch.from_numpy(laid.place).to(self.device).repeat(VIEWS)
        note = torch.from_numpy(laid.note).to(self.device).repeat(VIEWS)
        onset_s = torch.from_numpy(laid.at / RATE_HZ).to(self.device, torch.float32).repeat(VIEWS) + delay_s[rows]
        after = torch.cat((onset_s[1:], onset_s[:1]))
        last = torch.cat((rows[1:] != rows[:-1], torch.ones_like(rows[:1], dtype=torch.bool)))
        next_s = torch.where(last, torch.full_like(after, self.recipe.take_s), after)
        times = self._times(frames, rows, onset_s, next_s)
        known = {
            name: torch.from_numpy(getattr(self.pool, name)[laid.note]).to(self.device).repeat(VIEWS, *more)
            for name, more in (
                ("kind", ()),
                ("base", ()),
                ("pitch", ()),
                ("measures", (1,)),
                ("seen", ()),
                ("span_s", (1,)),
            )
        }
        time_s = torch.arange(frames.shape[2], device=self.device) * HOP_S
        until = torch.minimum(times[:, 2], times[:, 1] + 1.5)
        own = (time_s >= times[:, :1]) & (time_s < until[:, None])  # (note, frame)
        loud = (own & (rise_db[rows] > AUDIBLE_DB)).sum(dim=1)
        faint = (own & (rise_db[rows] > UNHEARD_DB)).sum(dim=1)
        fine = known["kind"] == 0
        kind = torch.where(fine & (loud >= 3), NOISE, known["kind"])
        sure = torch.from_numpy(laid.usable).to(self.device).repeat(VIEWS) & (~fine | (loud >= 3) | (faint <= 2))
        evidence, weight = self._evidence(frames, rise_db, rows, onset_s, known, events)
        place_in = rows * most + place

        def padded(values: Tensor, empty: float) -> Tensor:
            out = torch.full((len(frames) * most, *values.shape[1:]), empty, device=self.device, dtype=values.dtype)
            out[place_in] = values
            return out.view(len(frames), most, *values.shape[1:])

        return Batch(
            frames,
            torch.full((len(frames),), frames.shape[2], device=self.device),
            padded(times, 0.1),
            padded(torch.ones_like(fine), False),
            padded(kind, 0),
            padded(sure, False),
            padded(note, -1),
            padded(known["base"], -1),
            padded(known["pitch"], 0),
            padded(known["measures"], 0.0),
            evidence,
            weight,
        )

    def _times(self, frames: Tensor, rows: Tensor, onset_s: Tensor, next_s: Tensor) -> Tensor:
        """Return start, end (20 dB under the peak) and end of the ring of each note, as listen/notes.py does."""
        smooth = functional.avg_pool1d(10 ** (frames / 10), 21, 1, 10, count_include_pad=False)
        floor = smooth.kthvalue(max(1, frames.shape[2] // 20), dim=2, keepdim=True).values
        over = frames - 10 * torch.log10(floor)  # (row, mel, frame)
        level = 10 * torch.log10((10 ** (frames / 10) * (over > 6)).sum(dim=1) + 1e-12)
        level = functional.avg_pool1d(level[:, None], 5, 1, 2, count_include_pad=False)[:, 0]
        stands = functional.avg_pool1d(over.clamp(min=0), 5, 1, 2, count_include_pad=False)
        stands = stands.topk(8, dim=1).values.mean(dim=1)
        frame = torch.arange(frames.shape[2], device=self.device)
        first, until = (onset_s / HOP_S).long()[:, None], (next_s / HOP_S).long()[:, None]
        own = torch.where((frame >= first) & (frame < until), level[rows], -300.0)  # (note, frame)
        peak = own.max(dim=1, keepdim=True)
        below = (own < peak.values - 20).float()
        settled = -functional.max_pool1d(functional.pad(-below, (0, 9), value=-1.0)[:, None], 10, 1)[:, 0] > 0.5
        end = torch.where(settled & (frame >= peak.indices), frame, until).amin(dim=1, keepdim=True)
        quiet = (stands[rows] < 6) & (frame >= end)
        ring = torch.minimum(torch.where(quiet, frame, until).amin(dim=1, keepdim=True), until)
        start = onset_s + self._uniform(onset_s.shape, -0.008, 0.012)
        end_s = torch.maximum(end[:, 0] * HOP_S, start + 0.03)
        return torch.stack((start, end_s, torch.maximum(ring[:, 0] * HOP_S, end_s)), dim=1)

    def _evidence(
        self,
        frames: Tensor,
        rise_db: Tensor,
        rows: Tensor,
        onset_s: Tensor,
        known: dict[str, Tensor],
        events: tuple[Tensor, ...],
    ) -> tuple[Tensor, Tensor]:
        """Return target and weight of each kind at each step [row, kind, step]."""
        steps = -(-frames.shape[2] // STRIDE)
        whole = functional.pad(rise_db, (0, steps * STRIDE - frames.shape[2]))
        rise = functional.max_pool1d(whole[:, None], STRIDE)[:, 0]  # (row, step)
        low = (torch.arange(steps, device=self.device) * STRIDE - 0.5) * HOP_S
        high = low + STRIDE * HOP_S

        def marked(row: Tensor, kind: Tensor, start_s: Tensor, end_s: Tensor) -> Tensor:
            inside = ((high > start_s[:, None]) & (low < end_s[:, None])).float()
            out = torch.zeros(len(frames) * len(EVIDENCE), steps, device=self.device)
            return out.index_add_(0, row * len(EVIDENCE) + kind, inside).view(len(frames), -1, steps).clamp(max=1)

        row, kind, start_s, end_s = events
        target = marked(row, kind + 1, start_s, end_s + 0.4) * (rise > AUDIBLE_DB)[:, None]
        target[:, 0] = (rise > AUDIBLE_DB).float()
        weight = torch.ones_like(target)
        weight[:, : 1 + len(NOISES)] = ((rise > AUDIBLE_DB) | (rise < UNHEARD_DB)).float()[:, None]
        shown = known["seen"] >= 0
        span_s = onset_s[shown, None] + known["span_s"][shown]
        span = (rows[shown], known["seen"][shown] + 1 + len(NOISES), *span_s.T)
        faults, wide = marked(*span), marked(span[0], span[1], span[2] - 0.08, span[3] + 0.08)
        return torch.maximum(target, faults), weight * (1 - (wide - faults).clamp(min=0))
