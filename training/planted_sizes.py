"""Faults of known size, planted into many dry notes at once on the device; sizes are in just noticeable differences.

``draw_plants`` decides by numpy how each note of a batch differs: a little, as one repetition from the next, and some
by a fault or two. ``Planter`` renders the notes [note, sample]. The size of every attribute is signed and exact,
for good notes too. Just noticeable differences as in configs/sizes.toml.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from training.dry_notes import DryNotes
from training.gpu_rendering import coloured_noise
from training.pool import RATE_HZ
from triage.config import Strict

LONGEST_S = 3.4
COUNT = round(LONGEST_S * RATE_HZ)
TAPS = 8  # of the windowed sinc that samples are read between samples with
FADE = round(0.03 * RATE_HZ)  # of a splice
REACH, STEP = 720, 2  # samples to either side searched for a splice in phase, and between two tries
CRACKS = (2 / 3, 3 / 4, 4 / 3, 3 / 2)  # the partial spoken on, against the right one
CRACK_COUNT = round(0.25 * RATE_HZ)
DAMP_DB_S = 200.0
AT_ONCE = 64  # notes: more would fill the memory of a small GPU


@dataclass(frozen=True)
class Attribute:
    """What can be off about a note: its kind in ``pool.KINDS``, where it shows, which notes can carry it."""

    kind: str
    signed: bool = False
    least_s: float = 0.0
    needs: str = "any"  # held: not plucked
    seen: str = ""  # start, body, end: where it can be heard without neighbours


ATTRIBUTES = {
    "tuning": Attribute("intonation", signed=True, least_s=0.12),
    "sag": Attribute("intonation", signed=True, least_s=0.4, needs="held", seen="body"),
    "vibrato": Attribute("steadiness", least_s=0.4, needs="held", seen="body"),
    "tremolo": Attribute("steadiness", least_s=0.4, needs="held", seen="body"),
    "slow": Attribute("attack", least_s=0.12, needs="held", seen="start"),
    "split": Attribute("attack", least_s=0.12, seen="start"),
    "crack": Attribute("attack", least_s=0.12, needs="held", seen="start"),
    "scoop": Attribute("attack", signed=True, least_s=0.12, needs="held", seen="start"),
    "breath": Attribute("attack", least_s=0.12, needs="held", seen="start"),
    "length": Attribute("length", signed=True),
    "level": Attribute("level", signed=True),
    "swell": Attribute("level", signed=True, least_s=0.6, needs="held", seen="body"),
    "tone": Attribute("tone", signed=True),
    "release": Attribute("release", least_s=0.25, seen="end"),
}
NAMES = tuple(ATTRIBUTES)
INDEX = {name: index for index, name in enumerate(NAMES)}


class SizesRecipe(Strict):
    """All of [sizes] in configs/sizes.toml."""

    jnd: dict[str, float]  # one step of each attribute, in its unit
    spread: dict[str, float]  # of good notes, standard deviation in JND, of an average player
    most: dict[str, float]  # the largest size, JND
    least: float  # the smallest fault, JND
    sure: float  # from here on a fault is a fault, JND
    second: float  # share of the spoilt notes with a second fault


@dataclass(frozen=True)
class Plants:
    """How each note of a batch is changed; every array has one entry a note."""

    note: np.ndarray  # index into the dry notes
    size: np.ndarray  # (note, attribute) JND
    main: np.ndarray  # index of the largest fault, -1 for a good note
    chance: np.ndarray  # (note, 8) uniform draws: rates, phases, durations

    def duration_s(self, dry: DryNotes) -> np.ndarray:
        """Return how long a spoilt start lasts: 0.05 to 0.18 s, never more than half of the note."""
        return np.minimum(0.05 + 0.13 * self.chance[:, 0], 0.5 * dry.end[self.note] / RATE_HZ)

    def ratio(self, dry: DryNotes, jnd: Mapping[str, float]) -> np.ndarray:
        """Return by what each sounding length is multiplied."""
        return (1 + jnd["length"]) ** self.size[:, INDEX["length"]]


def draw_plants(
    dry: DryNotes,
    note: np.ndarray,
    spoilt: np.ndarray,
    evenness: np.ndarray,
    recipe: SizesRecipe,
    rng: np.random.Generator,
) -> Plants:
    """Draw how notes are changed.

    Parameters
    ----------
    note : ndarray, shape (note,)
        Indices into ``dry``.
    spoilt : ndarray of bool, shape (note,)
    evenness : ndarray, shape (note,)
        Spread of this player's good notes against the average one's.
    """
    spread = np.array([recipe.spread.get(name, 0.0) for name in NAMES])
    size = np.clip(rng.standard_normal((len(note), len(NAMES))), -2.5, 2.5) * spread * evenness[:, None]
    one_sided = np.array([not attribute.signed for attribute in ATTRIBUTES.values()])
    size[:, one_sided] = np.abs(size[:, one_sided])
    suits = np.stack([_suits(dry, note, attribute) for attribute in ATTRIBUTES.values()], axis=1)
    size[~suits] = 0.0
    main = np.full(len(note), -1)
    for row in np.flatnonzero(spoilt):
        largest = 0.0
        for _ in range(1 + (rng.random() < recipe.second)):
            kinds = sorted({a.kind for a, can in zip(ATTRIBUTES.values(), suits[row], strict=True) if can})
            wanted = kinds[rng.integers(len(kinds))]  # a kind first: one with many attributes comes no more often
            own = [i for i, a in enumerate(ATTRIBUTES.values()) if suits[row, i] and a.kind == wanted]
            at = own[rng.integers(len(own))]
            found = float(np.exp(rng.uniform(np.log(recipe.least), np.log(recipe.most[NAMES[at]]))))
            sign = -1.0 if ATTRIBUTES[NAMES[at]].signed and rng.random() < 0.5 else 1.0
            size[row, at] += sign * found
            if found > largest:
                main[row], largest = at, found
    at = INDEX["length"]
    longest = np.where(dry.steady[note], (LONGEST_S - 0.1) * RATE_HZ - dry.ring[note], 0.0)
    most = np.log1p(np.maximum(longest, 0.0) / dry.end[note]) / np.log1p(recipe.jnd["length"])
    size[:, at] = np.minimum(size[:, at], most)
    at = INDEX["release"]  # no more can go missing than there is
    tail_s = np.maximum(dry.ring[note] - dry.early_end[note], 0) / RATE_HZ
    size[:, at] = np.minimum(size[:, at], tail_s / recipe.jnd["release"])
    return Plants(note, size.astype(np.float32), main, rng.random((len(note), 8)))


def _suits(dry: DryNotes, note: np.ndarray, attribute: Attribute) -> np.ndarray:
    long_enough = dry.end[note] >= attribute.least_s * RATE_HZ
    return long_enough & ~dry.plucked[note] if attribute.needs == "held" else long_enough


def shape_of(dry: DryNotes, plants: Plants, jnd: Mapping[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the samples until 20 dB and until 45 dB down of each note once it is changed."""
    ratio = plants.ratio(dry, jnd)
    end, tail = dry.end[plants.note] * ratio, (dry.ring - dry.end)[plants.note]
    damped = (ratio < 1) & ~dry.steady[plants.note]
    tail = np.where(damped, np.minimum(tail, round(0.13 * RATE_HZ)), tail)
    missing = plants.size[:, INDEX["release"]] * jnd["release"] * RATE_HZ
    ring = np.maximum(end + tail - missing, 0.02 * RATE_HZ)
    return np.minimum(end, ring).astype(int), np.minimum(ring, COUNT - 1).astype(int)


class Planter:
    """Renders planted notes on a device; ``dry.samples`` go there once."""

    def __init__(self, dry: DryNotes, jnd: Mapping[str, float], device: torch.device, seed: int):
        self.dry, self.jnd, self.device = dry, jnd, device
        self.samples = torch.from_numpy(dry.samples).to(device)
        random = torch.Generator(device).manual_seed(seed)
        self.air = coloured_noise(torch.full((8,), -1.5, device=device), 1 << 18, random)
        self.time = torch.arange(COUNT, device=device)

    def __call__(self, plants: Plants) -> Tensor:
        """Return the notes [note, sample], in units of the pool's int16."""
        rows = np.array_split(np.arange(len(plants.note)), -(-len(plants.note) // AT_ONCE))
        return torch.cat([self._some(plants, own) for own in rows])

    def _some(self, plants: Plants, rows: np.ndarray) -> Tensor:
        dry, note = self.dry, plants.note[rows]

        def column(values: np.ndarray) -> Tensor:
            return torch.from_numpy(np.asarray(values, np.float64)).to(self.device)[:, None]

        amount = {
            name: column(plants.size[rows, at]) * self.jnd[name] for name, at in INDEX.items()
        }  # each in its own unit
        chance = [column(plants.chance[rows, k]) for k in range(plants.chance.shape[1])]
        ratio = column(plants.ratio(dry, self.jnd)[rows])
        start, length = (
            torch.from_numpy(values[note]).to(self.device)[:, None] for values in (dry.start, dry.length)
        )
        end, steady = column(dry.end[note]), column(dry.steady[note]) > 0
        spliced = steady | (ratio > 1)
        new_end, began = end * ratio, column(plants.duration_s(dry)[rows]) * RATE_HZ
        place = self._place(amount, chance, new_end, began)
        wave = self._spliced(start, length, place, end, torch.where(spliced, ratio, 1.0))
        wave = self._cracked(wave, start, length, place, began, amount["crack"], plants.chance[rows, 1])
        amount = {name: value.float() for name, value in amount.items()}
        chance, new_end, began = [one.float() for one in chance], new_end.float(), began.float()
        gain_db = self._gain_db(amount, chance, new_end, began)
        late = (self.time - (new_end - 0.03 * RATE_HZ)).clamp(min=0) / RATE_HZ
        gain_db -= torch.where(spliced, 0.0, DAMP_DB_S) * late
        wave = self._toned(wave * 10 ** (gain_db / 20), amount["tone"], column(dry.centroid_hz[note]).float())
        wave = self._breathed(wave, new_end, began, amount["breath"], chance)
        tail = column(np.asarray(dry.ring[note] - dry.end[note])).float()
        return self._cut(wave, new_end + tail, amount["release"])

    def _place(self, amount: dict[str, Tensor], chance: list[Tensor], end: Tensor, began: Tensor) -> Tensor:
        """Return where each output sample is read from, before splices [note, sample]."""
        time, seconds = self.time, self.time / RATE_HZ
        late = chance[2] < 0.5  # the pitch sags from a third on, or in the last third only
        through = torch.where(late, (time / end - 0.65) / 0.3, (time / end - 0.3) / 0.6).clamp(0, 1)
        turn = torch.sin(2 * np.pi * ((2.5 + 5 * chance[3]) * seconds + chance[4]))
        cents = amount["tuning"] + amount["sag"] * through
        cents = cents + amount["vibrato"] * turn * ((seconds - 0.05) / 0.1).clamp(0, 1)
        cents = cents + amount["scoop"] * (1 - time / began).clamp(min=0)
        return time + (2 ** (cents / 1200) - 1).cumsum(dim=1)  # float64: a float32 would lose the place

    def _spliced(self, start: Tensor, length: Tensor, place: Tensor, end: Tensor, ratio: Tensor) -> Tensor:
        """Read the notes, with a part of their middle left out or repeated once or twice, joined in phase."""
        change = (ratio - 1) * end
        twice = change > 0.4 * end
        jump = torch.where(twice, -change / 2, -change)  # samples ahead
        leave = torch.where(change < 0, 0.3 * end, 0.75 * end)
        fade = torch.clamp(0.1 * end, 8.0, float(FADE))
        jump = self._in_phase(start, length, leave, jump, fade)
        left = (place >= leave + fade).double() + ((place + jump >= leave + fade) & twice)  # splices behind us
        wave = read(self.samples, start, length, place + left * jump)
        within = torch.arange(FADE + FADE // 4, device=self.device)
        for done in range(1 + bool(twice.any())):  # the crossfades themselves
            at = torch.searchsorted(place, leave - done * jump).clamp(max=COUNT - len(within)) + within
            own = place.gather(1, at) + done * jump
            share = ((own - leave) / fade).clamp(0, 1).float() * (jump.abs() >= 1) * (twice | (done == 0))
            one, two = (read(self.samples, start, length, own + ahead) for ahead in (0, jump))
            mixed = one * (1 - share) + two * share
            wave.scatter_(1, at, torch.where((share > 0) & (share < 1), mixed, wave.gather(1, at)))
        return wave

    def _in_phase(self, start: Tensor, length: Tensor, leave: Tensor, jump: Tensor, fade: Tensor) -> Tensor:
        """Return each jump, moved by up to REACH samples to where the waves match best; 0 stays 0."""
        tries = torch.arange(-REACH, REACH + 1, STEP, device=self.device)
        within = torch.arange(0, FADE, 8, device=self.device)
        reach = (fade / FADE).clamp(max=1) * tries
        own = start + (leave.long() + within).minimum(length - 1)
        other = (leave + jump + reach).long()[:, :, None] + within
        other = start[:, :, None] + other.clamp(min=0).minimum(length[:, :, None] - 1)
        one, two = self.samples[own].float()[:, None], self.samples[other].float()
        match = (one * two).sum(dim=2) / two.square().sum(dim=2).clamp(min=1.0).sqrt()
        best = reach.gather(1, match.argmax(dim=1, keepdim=True))
        return torch.where(jump.abs() < 1.0, 0.0, jump + best)

    def _cracked(
        self,
        wave: Tensor,
        start: Tensor,
        length: Tensor,
        place: Tensor,
        began: Tensor,
        over_db: Tensor,
        chance: np.ndarray,
    ) -> Tensor:
        """Mix the start with another partial, ``over_db`` above -18 dB; 0 is no crack at all."""
        rate = torch.tensor([CRACKS[int(c * len(CRACKS))] for c in chance], dtype=torch.float64, device=self.device)
        other = read(self.samples, start, length, place[:, :CRACK_COUNT] * rate[:, None])
        gain = torch.where(over_db > 0, 10 ** ((over_db - 18) / 20), 0.0).clamp(max=1.4).float()
        fade = 0.012 * RATE_HZ
        share = (1 - (self.time[:CRACK_COUNT] - began) / fade).clamp(0, 1).float()
        mixed = wave[:, :CRACK_COUNT] * (1 - share * gain.clamp(max=1)) + other * share * gain
        return torch.cat((mixed, wave[:, CRACK_COUNT:]), dim=1)

    def _gain_db(self, amount: dict[str, Tensor], chance: list[Tensor], end: Tensor, began: Tensor) -> Tensor:
        """Return level, swell, tremolo, slow and split starts [note, sample], dB."""
        time, seconds = self.time, self.time / RATE_HZ
        turn = torch.sin(2 * np.pi * ((3 + 5 * chance[5]) * seconds + chance[6]))
        gain_db = amount["level"] + amount["swell"] * (((time / end - 0.25) / 0.65).clamp(0, 1))
        gain_db = gain_db + amount["tremolo"] * turn * ((seconds - 0.05) / 0.1).clamp(0, 1)
        rise = torch.minimum(1.5 * amount["slow"] * RATE_HZ, 0.7 * end).clamp(min=1.0)
        gain_db = gain_db - 30 * (1 - time / rise).clamp(min=0)
        choke = ((time / began - 0.25) / 0.2).clamp(0, 1) * ((1 - time / began) / 0.2).clamp(0, 1)
        return gain_db - amount["split"] * choke

    def _toned(self, wave: Tensor, shelf_db: Tensor, centroid_hz: Tensor) -> Tensor:
        """Apply a first-order shelf at twice the note's centre, as note_editing.high_shelf; the same level."""
        hz = torch.fft.rfftfreq(COUNT, 1 / RATE_HZ, device=self.device)
        corner, root = (2 * centroid_hz).clamp(max=0.4 * RATE_HZ), 10 ** (shelf_db / 40)
        response = (1j * hz * root + corner) / (1j * hz / root + corner)
        out = torch.fft.irfft(torch.fft.rfft(wave) * response, COUNT)
        return out * (wave.square().sum(1, keepdim=True) / out.square().sum(1, keepdim=True).clamp(min=1.0)).sqrt()

    def _breathed(self, wave: Tensor, end: Tensor, began: Tensor, over_db: Tensor, chance: list[Tensor]) -> Tensor:
        """Add air before the tone, ``over_db`` above -33 dB under the note; 0 is no air at all."""
        own = self.time < end
        level = (wave.square() * own).sum(1, keepdim=True).div(own.sum(1, keepdim=True).clamp(min=1)).sqrt()
        row = (chance[0] * 1e6).long() % len(self.air)
        first = (chance[1] * (self.air.shape[1] - COUNT)).long()
        air = self.air[row, first + self.time]
        ramp = (self.time / began).clamp(0, 1)
        gain = torch.where(over_db > 0, 10 ** ((over_db - 33) / 20), 0.0)
        thin = torch.where(over_db > 0, chance[7] * (over_db / 15).clamp(max=1), 0.0)  # the tone comes in late
        rise = (self.time / (0.01 * RATE_HZ)).clamp(max=1)
        return wave * ramp.clamp(min=1e-3) ** thin + level * gain * air * rise * (1 - ramp)

    def _cut(self, wave: Tensor, ring: Tensor, missing_s: Tensor) -> Tensor:
        """Stop notes ``missing_s`` before they have rung out, with a fade of 15 ms."""
        fade = 0.015 * RATE_HZ
        left = torch.where(missing_s > 0, ring - missing_s * RATE_HZ, float(COUNT)) - self.time
        return wave * (0.5 - 0.5 * torch.cos(np.pi * (left / fade).clamp(0, 1)))


def read(samples: Tensor, start: Tensor, length: Tensor, place: Tensor) -> Tensor:
    """Return notes read at ``place`` [note, sample] by a windowed sinc of TAPS taps; past an end, the end."""
    whole = place.floor()
    part = (place - whole).float()
    first, last = start.int(), (start + length - 1).int()
    whole, out = whole.int() + first, torch.zeros_like(part)
    for tap in range(1 - TAPS // 2, TAPS // 2 + 1):
        at, away = torch.minimum(torch.maximum(whole + tap, first), last), part - tap
        value = samples.index_select(0, at.flatten()).view(at.shape)
        out += value * torch.sinc(away) * torch.cos(np.pi * away / (TAPS + 1e-3)).square()
    return out
