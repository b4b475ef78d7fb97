"""Batches of the encoder's training: takes of the pool's notes as random microphones in random rooms record them.

``EncoderRenderer.render`` renders every take of a plan (layout.py) twice on the device (two rooms, two microphones,
two levels, noises of their own) and returns log-mel frames, the notes' times as the tool would find them, and
targets. Rows are views x episodes x takes; everything follows from the seed.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.gpu_rendering import Renderer, add_segments, warped
from training.layout import Plan
from training.pool import KINDS, RATE_HZ
from triage.listen.encoder import ACTIVATION_KINDS, NOISES, STRIDE
from triage.listen.logmel import HOP_S

VIEWS = 2
FADE_S = 0.03  # at the end of a noise clip
AUDIBLE_DB, INAUDIBLE_DB = 3.0, 1.0  # rise of the eight bands that rise most; between the two the label is unknown
AUDIBLE_FRAMES, FAINT_FRAMES = 3, 2
NOISE = KINDS.index("noise")
NOTE_COLUMNS = ("kind", "base", "pitch", "measures", "seen", "span_s")


@dataclass(frozen=True)
class Batch:
    """Inputs (rows = view, episode, take) and targets."""

    frames: Tensor  # (row, mel, frame) dB
    lengths: Tensor  # (row,)
    times: Tensor  # (row, note, 3) s: start, end, end of the ring
    mask: Tensor  # (row, note) bool: a note is there
    kind: Tensor  # (row, note) index into KINDS
    labelled: Tensor  # (row, note) bool: the kind can be relied on
    note: Tensor  # (row, note) index into the pool, -1 for none
    base: Tensor  # (row, note)
    pitch: Tensor  # (row, note)
    measures: Tensor  # (row, note, measure)
    activations: Tensor  # (row, kind, step) target 0 or 1
    weight: Tensor  # (row, kind, step) 0 where the target is unknown


class _Events(NamedTuple):
    """Planted noises: row, kind, and start and end in s."""

    row: Tensor
    kind: Tensor
    start_s: Tensor
    end_s: Tensor


class _Notes(NamedTuple):
    """The notes of all rows of a batch, one entry each."""

    row: Tensor
    place: Tensor
    onset_s: Tensor
    usable: Tensor
    pool_index: Tensor
    pool: dict[str, Tensor]  # the pool's NOTE_COLUMNS


class EncoderRenderer(Renderer):
    """Renders the encoder's batches."""

    def render(self, plan: Plan, seed: int) -> Batch:
        """Render a plan in two views, with its targets."""
        self.random.manual_seed(seed)
        recipe = self.recipe
        takes = recipe.episodes * recipe.takes
        dry = torch.fft.rfft(self._dry(plan, takes))
        direct, tail, delay_s = self._rooms()
        room = torch.arange(VIEWS * takes, device=self.device) // recipe.takes  # of each row: view x episode
        clean = torch.fft.irfft(dry.repeat(VIEWS, 1) * (direct + tail)[room], self.size)[:, : self.count]
        clean += self._floor(10 ** (self._uniform((len(direct), 1), *recipe.floor_db) / 20), room)
        noises, events = self._noises(VIEWS * takes)
        far = self._uniform((len(direct), 1), -12.0, 6.0)
        noise = torch.fft.rfft(noises) * (direct * 10 ** (far / 20) + tail)[room]
        noisy = clean + torch.fft.irfft(noise, self.size)[:, : self.count]
        gain = 10 ** (self._uniform((len(direct), 1), -24.0, -6.0) / 20)[room]  # a session's gain stays
        frames, quiet = self.logmel(noisy * gain), self.logmel(clean * gain)
        rise_db = (frames - quiet).topk(8, dim=1).values.mean(dim=1)  # (row, frame)
        batch = self._batch(self._notes(plan, delay_s[room]), frames, rise_db, events)
        stretch = 2 ** self._uniform((recipe.episodes,), -recipe.warp, recipe.warp)
        shift = self._uniform((recipe.episodes,), -6.0 * recipe.warp, 6.0 * recipe.warp)
        episode = room % recipe.episodes  # the instrument changes, so both views of an episode change alike
        return replace(batch, frames=warped(frames, stretch[episode], shift[episode]))

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
        strength = torch.cat((torch.ones_like(strength[:, :1]), strength), 1)
        early.scatter_add_(1, torch.cat((arrive, arrive + after), 1), strength)
        room = self._randint(len(self.tails), (count,))
        balance = 10 ** (self._uniform((count, 1), *self.recipe.direct_db) / 20)
        scale = (1 + balance.square()).rsqrt()
        colour = self._colour(count)
        direct = torch.fft.rfft(early * balance * scale, self.size) * colour
        start = torch.arange(self.size // 2 + 1, device=self.device) / self.size
        late = torch.exp(-2j * np.pi * start * (arrive + 480))  # the tail starts 10 ms after the direct sound
        return direct, torch.fft.rfft(self.tails[room] * scale, self.size) * colour * late, delay_s

    def _noises(self, rows: int) -> tuple[Tensor, _Events]:
        """Return noises [row, sample] at random times and levels."""
        kind, start, length = self.clips
        count = round(rows * self.recipe.noises)
        clip = self._randint(len(kind), (count,))
        row = self._randint(rows, (count,))
        at = (self._uniform((count,), 0.1, self.recipe.take_s - 0.4) * RATE_HZ).long()
        rate = 2 ** self._uniform((count,), -0.4, 0.4)
        longest = (self._uniform((count,), 0.15, 0.9) * RATE_HZ).long()
        duration = torch.minimum(longest, ((length[clip] - 2) / rate).long()).clamp(min=64)
        gain = 10 ** (-self._uniform((count,), *self.recipe.noise_db) / 20)
        noises = torch.zeros(rows, self.size, device=self.device)
        add_segments(noises, self.noise, start[clip], duration, row, at, gain, rate, round(FADE_S * RATE_HZ))
        return noises, _Events(row, kind[clip], at / RATE_HZ, (at + duration) / RATE_HZ)

    def _notes(self, plan: Plan, delay_s: Tensor) -> _Notes:
        """Return the notes of every view, with their onsets at the microphone."""
        takes = self.recipe.episodes * self.recipe.takes
        view = torch.arange(VIEWS, device=self.device).repeat_interleave(len(plan.row))

        def both(values: np.ndarray) -> Tensor:
            return self._on_device(values).repeat(VIEWS, *(1 for _ in values.shape[1:]))

        row = view * takes + both(plan.row)
        onset_s = both(plan.at / RATE_HZ).to(torch.float32) + delay_s[row]
        columns = {name: both(getattr(self.pool, name)[plan.note]) for name in NOTE_COLUMNS}
        return _Notes(row, both(plan.place), onset_s, both(plan.usable), both(plan.note), columns)

    def _batch(self, notes: _Notes, frames: Tensor, rise_db: Tensor, events: _Events) -> Batch:
        """Put the notes' times and targets into arrays of (row, note)."""
        times = self._times(frames, notes)
        rows, most = len(frames), self.recipe.most_notes
        kind, labelled = self._kinds(notes, times, rise_db)
        activations, weight = self._activations(frames, rise_db, notes, events)
        place = notes.row * most + notes.place

        def padded(values: Tensor, empty: float) -> Tensor:
            out = torch.full((rows * most, *values.shape[1:]), empty, device=self.device, dtype=values.dtype)
            out[place] = values
            return out.view(rows, most, *values.shape[1:])

        return Batch(
            frames,
            torch.full((rows,), frames.shape[2], device=self.device),
            padded(times, 0.1),
            padded(torch.ones_like(labelled), False),
            padded(kind, 0),
            padded(labelled, False),
            padded(notes.pool_index, -1),
            padded(notes.pool["base"], -1),
            padded(notes.pool["pitch"], 0),
            padded(notes.pool["measures"], 0.0),
            activations,
            weight,
        )

    def _kinds(self, notes: _Notes, times: Tensor, rise_db: Tensor) -> tuple[Tensor, Tensor]:
        """Return each note's kind, "noise" for a good note with an audible one, and whether it can be relied on."""
        time_s = torch.arange(rise_db.shape[1], device=self.device) * HOP_S
        until = torch.minimum(times[:, 2], times[:, 1] + 1.5)
        during = (time_s >= times[:, :1]) & (time_s < until[:, None])  # (note, frame)
        loud, faint = ((during & (rise_db[notes.row] > bound)).sum(dim=1) for bound in (AUDIBLE_DB, INAUDIBLE_DB))
        kind = notes.pool["kind"]
        good, noisy = kind == 0, loud >= AUDIBLE_FRAMES
        labelled = notes.usable & (~good | noisy | (faint <= FAINT_FRAMES))
        return torch.where(good & noisy, NOISE, kind), labelled

    def _times(self, frames: Tensor, notes: _Notes) -> Tensor:
        """Return start, end (20 dB under the peak) and end of the ring of each note, as listen/notes.py does."""
        rows, onset_s = notes.row, notes.onset_s
        after = torch.cat((onset_s[1:], onset_s[:1]))
        last = torch.cat((rows[1:] != rows[:-1], torch.ones_like(rows[:1], dtype=torch.bool)))
        next_s = torch.where(last, torch.full_like(after, self.recipe.take_s), after)
        smooth = functional.avg_pool1d(10 ** (frames / 10), 21, 1, 10, count_include_pad=False)
        floor = smooth.kthvalue(max(1, frames.shape[2] // 20), dim=2, keepdim=True).values
        over = frames - 10 * torch.log10(floor)  # (row, mel, frame)
        level = 10 * torch.log10((10 ** (frames / 10) * (over > 6)).sum(dim=1) + 1e-12)
        level = functional.avg_pool1d(level[:, None], 5, 1, 2, count_include_pad=False)[:, 0]
        prominence = functional.avg_pool1d(over.clamp(min=0), 5, 1, 2, count_include_pad=False)
        prominence = prominence.topk(8, dim=1).values.mean(dim=1)
        frame = torch.arange(frames.shape[2], device=self.device)
        first, until = (onset_s / HOP_S).long()[:, None], (next_s / HOP_S).long()[:, None]
        own = torch.where((frame >= first) & (frame < until), level[rows], -300.0)  # (note, frame)
        peak = own.max(dim=1, keepdim=True)
        below = (own < peak.values - 20).float()
        settled = -functional.max_pool1d(functional.pad(-below, (0, 9), value=-1.0)[:, None], 10, 1)[:, 0] > 0.5
        end = torch.where(settled & (frame >= peak.indices), frame, until).amin(dim=1, keepdim=True)
        quiet = (prominence[rows] < 6) & (frame >= end)
        ring = torch.minimum(torch.where(quiet, frame, until).amin(dim=1, keepdim=True), until)
        start = onset_s + self._uniform(onset_s.shape, -0.008, 0.012)
        end_s = torch.maximum(end[:, 0] * HOP_S, start + 0.03)
        return torch.stack((start, end_s, torch.maximum(ring[:, 0] * HOP_S, end_s)), dim=1)

    def _activations(self, frames: Tensor, rise_db: Tensor, notes: _Notes, events: _Events) -> tuple[Tensor, Tensor]:
        """Return target and weight of each kind at each step [row, kind, step]."""
        steps = -(-frames.shape[2] // STRIDE)
        whole = functional.pad(rise_db, (0, steps * STRIDE - frames.shape[2]))
        rise = functional.max_pool1d(whole[:, None], STRIDE)[:, 0]  # (row, step)
        low = (torch.arange(steps, device=self.device) * STRIDE - 0.5) * HOP_S
        high = low + STRIDE * HOP_S

        def marked(row: Tensor, kind: Tensor, start_s: Tensor, end_s: Tensor) -> Tensor:
            inside = ((high > start_s[:, None]) & (low < end_s[:, None])).float()
            out = torch.zeros(len(frames) * len(ACTIVATION_KINDS), steps, device=self.device)
            return (
                out.index_add_(0, row * len(ACTIVATION_KINDS) + kind, inside)
                .view(len(frames), -1, steps)
                .clamp(max=1)
            )

        audible = rise > AUDIBLE_DB
        target = marked(events.row, events.kind + 1, events.start_s, events.end_s + 0.4) * audible[:, None]
        target[:, 0] = audible.float()
        weight = torch.ones_like(target)
        weight[:, : 1 + len(NOISES)] = (audible | (rise < INAUDIBLE_DB)).float()[:, None]
        seen = notes.pool["seen"]
        shown = seen >= 0
        start_s, end_s = (notes.onset_s[shown, None] + notes.pool["span_s"][shown]).T
        row, kind = notes.row[shown], seen[shown] + 1 + len(NOISES)
        faults, wide = marked(row, kind, start_s, end_s), marked(row, kind, start_s - 0.08, end_s + 0.08)
        return torch.maximum(target, faults), weight * (1 - (wide - faults).clamp(min=0))
