"""Batches of the encoder's training on sizes: notes changed by known sizes, laid out as takes, heard in two rooms.

``draw_batch`` plans a batch by numpy, ahead of the device; ``SizeRenderer`` plants, lays out and records it. Rows and
targets as of batches.py; ``measures`` are the sizes of planted_sizes.NAMES in just noticeable differences.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch

from training.batches import Batch, EncoderRenderer
from training.dry_notes import DryNotes
from training.layout import Plan, StageRecipe
from training.plans import NoiseClip
from training.planted_sizes import ATTRIBUTES, COUNT, INDEX, Planter, Plants, SizesRecipe, draw_plants, shape_of
from training.pool import KINDS, RATE_HZ, Pool
from triage.listen.encoder import PLAYED

CROWDED, CROWD_S = 0.02, (0.02, 0.12)  # share of the notes whose successor comes too soon, and how soon
RELEASE = KINDS.index("release")


@dataclass(frozen=True)
class PlannedBatch:
    """Which notes play when, and how each is changed; ``pool`` has no samples yet."""

    plan: Plan
    plants: Plants
    pool: Pool


def part_weights(parts: np.ndarray, recipe: StageRecipe) -> np.ndarray:
    """Return how often each part is drawn: a source's weight is shared by its parts."""
    source = np.array(
        [str(part).split(" ")[0] if str(part).split(" ")[0] in recipe.weights else "recorded" for part in parts]
    )
    weight = np.zeros(len(parts))
    for name in sorted(set(source)):
        instruments = np.array([str(part).split("/")[0].split(" ")[0] for part in parts])
        own = np.unique(instruments[source == name])
        for instrument in own:  # and among recordings, by instruments
            mine = (source == name) & (instruments == instrument)
            weight[mine] = recipe.weights[name] / len(own) / mine.sum()
    return weight / weight.sum()


def draw_batch(
    dry: DryNotes, weight: np.ndarray, stage: StageRecipe, sizes: SizesRecipe, rng: np.random.Generator
) -> PlannedBatch:
    """Draw episodes: takes of one part around one pitch by one player, some notes spoilt."""
    most = stage.takes * stage.most_notes
    notes = np.concatenate([_episode(dry, weight, stage, rng) for _ in range(stage.episodes)])
    spoilt = rng.random(len(notes)) < np.repeat(rng.uniform(*stage.spoilt, stage.episodes), most)
    evenness = np.repeat(rng.uniform(0.3, 1.5, stage.episodes), most)
    plants = draw_plants(dry, notes, spoilt, evenness, sizes, rng)
    crowd_s = np.where(rng.random(len(notes)) < CROWDED, rng.uniform(*CROWD_S, len(notes)), 0.0)
    plants.size[crowd_s > 0, INDEX["release"]] = 0.0
    crowd_s[plants.main >= 0] = 0.0
    end, ring = shape_of(dry, plants, sizes.jnd)
    rows, places, at = _laid_out(end, ring, crowd_s, stage, rng)
    kept = np.flatnonzero(at >= 0)
    own = Plants(notes[kept], plants.size[kept], plants.main[kept], plants.chance[kept])
    pool = _pool(dry, own, end[kept], ring[kept], crowd_s[kept], sizes)
    largest = np.abs(own.size[np.arange(len(kept)), own.main]) * (own.main >= 0)
    last = np.append(rows[kept][1:] != rows[kept][:-1], True)
    usable = ((own.main < 0) | (largest >= sizes.sure)) & ~(last & (crowd_s[kept] > 0))
    return PlannedBatch(Plan(np.arange(len(kept)), rows[kept], places[kept], at[kept], usable), own, pool)


def _episode(dry: DryNotes, weight: np.ndarray, stage: StageRecipe, rng: np.random.Generator) -> np.ndarray:
    """Return the notes of an episode's takes, as many as could ever fit: a few pitches, each a few times in a row."""
    mine = np.flatnonzero(dry.part == rng.choice(len(weight), p=weight))
    centre = rng.choice(dry.pitch[mine])
    mine = mine[np.abs(dry.pitch[mine] - centre) <= stage.near]
    pitches = np.unique(dry.pitch[mine])
    found = []
    for _ in range(stage.takes):
        first, repetitions = int(rng.integers(len(pitches))), int(rng.integers(1, 4))
        wanted = [pitches[(first + place // repetitions) % len(pitches)] for place in range(stage.most_notes)]
        found += [rng.choice(mine[dry.pitch[mine] == pitch]) for pitch in wanted]
    return np.array(found)


def _laid_out(
    end: np.ndarray, ring: np.ndarray, crowd_s: np.ndarray, stage: StageRecipe, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return row, place and sample of each note's onset, -1 for one that does not fit into its take."""
    row, place = np.divmod(np.arange(len(end)), stage.most_notes)
    at = np.full(len(end), -1)
    gaps = rng.uniform(*stage.gap_s, len(end))
    for take in range(stage.episodes * stage.takes):
        here = round(rng.uniform(*stage.lead_s) * RATE_HZ)
        for index in range(take * stage.most_notes, (take + 1) * stage.most_notes):
            if here + ring[index] > (stage.take_s - 0.2) * RATE_HZ and index > take * stage.most_notes:
                break
            at[index] = here
            crowded = crowd_s[index] > 0
            here += int(end[index] + crowd_s[index] * RATE_HZ if crowded else ring[index] + gaps[index] * RATE_HZ)
    return row, place, at


def _pool(
    dry: DryNotes, plants: Plants, end: np.ndarray, ring: np.ndarray, crowd_s: np.ndarray, sizes: SizesRecipe
) -> Pool:
    """Return the changed notes as a pool, all of one length, end to end."""
    count, names = len(plants.note), list(ATTRIBUTES)
    kind, seen = np.zeros(count, int), np.full(count, -1)
    span_s = np.zeros((count, 2), np.float32)
    began_s, end_s = plants.duration_s(dry), end / RATE_HZ
    for index in np.flatnonzero(plants.main >= 0):
        name = names[plants.main[index]]
        attribute, size = ATTRIBUTES[name], abs(plants.size[index, plants.main[index]])
        kind[index] = KINDS.index(attribute.kind)
        if not attribute.seen or size < sizes.sure:
            continue
        seen[index] = PLAYED.index(attribute.kind)
        late_s = 1.3 * size * sizes.jnd["slow"] if name == "slow" else began_s[index]
        begins = 0.08 if name in ("vibrato", "tremolo") else 0.4 * end_s[index]
        span_s[index] = {
            "start": (0.0, late_s + 0.03),
            "body": (begins, end_s[index]),
            "end": (ring[index] / RATE_HZ - 0.08, ring[index] / RATE_HZ + 0.12),
        }[attribute.seen]
    measures = plants.size.copy()
    crowded = crowd_s > 0
    kind[crowded], seen[crowded] = RELEASE, PLAYED.index("release")
    measures[crowded, INDEX["release"]] = np.nan
    span_s[crowded] = np.stack((end_s - 0.02, end_s + 0.15), axis=1)[crowded]
    return Pool(
        samples=np.zeros(0, np.int16),
        start=np.arange(count) * COUNT,
        length=np.minimum(COUNT, ring + RATE_HZ // 5),
        ring=ring,
        end=end,
        gain_db=dry.gain_db[plants.note],
        part=dry.part[plants.note],
        pitch=dry.pitch[plants.note],
        base=plants.note,
        kind=kind,
        seen=seen,
        span_s=span_s,
        crowd_s=crowd_s,
        measures=measures.astype(np.float32),
        parts=dry.parts,
        held=np.zeros(len(dry.parts), bool),
    )


class SizeRenderer(EncoderRenderer):
    """Plants, lays out and records batches."""

    def __init__(
        self, planter: Planter, first: PlannedBatch, clips: Sequence[NoiseClip], recipe: StageRecipe, seed: int
    ):
        super().__init__(first.pool, torch.zeros(1, device=planter.device), clips, recipe, seed)
        self.planter = planter

    def render_planned(self, planned: PlannedBatch, seed: int) -> Batch:
        """Return a batch in two views, with its targets."""
        self.pool, self.samples = planned.pool, self.planter(planned.plants).flatten()
        return self.render(planned.plan, seed)
