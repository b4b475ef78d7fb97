"""The losses of the encoder's training; their layers are used in training alone.

Four aims: find the same note again in another room among its neighbours; classify at each step which noise or fault
is audible; classify spoilt notes by how they differ from their cohort; predict by how much they differ in tuning,
attack, length, brightness and level.
"""

import torch
from torch import Tensor, nn
from torch.nn import functional

from training.batches import VIEWS, Batch
from training.pool import KINDS, MEASURED
from triage.listen.encoder import DIRECTIONS

SQUARED = 32  # directions whose squares measure how far a note is off, either way
TEMPERATURE = 0.1
cross_entropy, binary_cross_entropy = functional.cross_entropy, functional.binary_cross_entropy_with_logits


class Losses(nn.Module):
    """One loss for each aim, with the layers they need."""

    def __init__(self, dimension: int):
        super().__init__()
        self.projection = nn.Linear(dimension, dimension)
        self.squared = nn.Linear(dimension, SQUARED, bias=False)
        self.kind = nn.Linear(dimension + SQUARED, len(KINDS))
        self.measure = nn.Linear(dimension, len(MEASURED))
        self.slope, self.offset = nn.Parameter(torch.tensor(0.5)), nn.Parameter(torch.tensor(-2.0))

    def forward(
        self, vectors: Tensor, logits: Tensor, batch: Batch, takes: int, direction: nn.Module
    ) -> dict[str, Tensor]:
        """Return the loss of each aim; rows are view x episode x take, ``takes`` of them an episode."""
        z = vectors.reshape(len(vectors) // takes, -1, vectors.shape[2])  # (view x episode, note, dimension)
        mask, kind, labelled = (value.reshape(len(z), -1) for value in (batch.mask, batch.kind, batch.labelled))
        measures = batch.measures.reshape(len(z), -1, len(MEASURED))
        difference, labelled = cohort_difference(z, mask), mask & labelled
        step = binary_cross_entropy(logits, batch.activations, batch.weight, reduction="sum")
        return {
            "contrastive": self._contrastive(z, kind, labelled & (kind != len(KINDS) - 1)),
            "evidence": step / batch.weight.sum(),
            "cohort": self._cohort(difference, mask, kind, labelled, direction),
            "measurements": self._measurements(difference, mask, kind, measures),
        }

    def _cohort(
        self, difference: Tensor, mask: Tensor, kind: Tensor, labelled: Tensor, direction: nn.Module
    ) -> Tensor:
        """Return the cross entropy of spoilt or not, of the kind, and of each one-sided kind."""
        square = difference.square().sum(dim=2) + 1e-4
        usual = torch.where(mask, square, torch.nan).nanmedian(dim=1, keepdim=True).values
        doubt = functional.softplus(self.slope) * torch.log(square / usual) + self.offset
        spoilt = binary_cross_entropy(doubt[labelled], (kind > 0).float()[labelled])
        # sharp and flat, long and short are one kind each: squares measure both sides
        both = torch.cat((difference, self.squared(difference).square()), dim=2)
        named = cross_entropy(self.kind(both)[labelled], kind[labelled], label_smoothing=0.05)
        one_sided = torch.stack([kind == KINDS.index(name) for name in DIRECTIONS], dim=2).float()
        return spoilt + named + 2 * binary_cross_entropy(direction(difference)[labelled], one_sided[labelled])

    def _measurements(self, difference: Tensor, mask: Tensor, kind: Tensor, measures: Tensor) -> Tensor:
        """Return the error of the differences from the cohort's good notes as predicted from the vectors."""
        good = (mask & (kind % (len(KINDS) - 1) == 0))[..., None]  # fine, or only noisy
        target = measures - torch.where(good, measures, torch.nan).nanmedian(dim=1, keepdim=True).values.nan_to_num()
        return functional.smooth_l1_loss(self.measure(difference)[mask], target[mask].clamp(-4, 4), beta=0.5)

    def _contrastive(self, z: Tensor, kind: Tensor, labelled: Tensor) -> Tensor:
        """Return the cross entropy of picking each note's other view out of its episode.

        InfoNCE (van den Oord et al., arXiv 1807.03748). The negatives are the neighbours of another kind: the same
        recording with a fault, next pitches and repetitions with one or, for a spoilt note, without. Good neighbours
        are not pushed apart, because they make up a cohort's spread. A note with a noise in either view is left out.
        """
        first, second = functional.normalize(self.projection(z), dim=2).chunk(VIEWS)
        score = first @ second.transpose(1, 2) / TEMPERATURE  # (episode, note, note)
        kinds, both = kind.chunk(VIEWS)[0], torch.logical_and(*labelled.chunk(VIEWS))
        positive = torch.eye(kinds.shape[1], device=z.device, dtype=torch.bool)
        negative = (kinds[:, :, None] != kinds[:, None]) & both[:, None] & both[:, :, None]
        score = score.masked_fill(~(negative | positive), -1e4)
        used = both & negative.any(dim=2)
        target = torch.arange(kinds.shape[1], device=z.device).expand(kinds.shape)[used]
        return (cross_entropy(score[used], target) + cross_entropy(score.transpose(1, 2)[used], target)) / 2


def cohort_difference(z: Tensor, mask: Tensor) -> Tensor:
    """Return each vector less the robust mean of the others of its cohort [cohort, note, dimension]."""
    return less_others(z, cohort_weights(z, mask))


def cohort_weights(z: Tensor, mask: Tensor) -> Tensor:
    """Return how much each note counts for its cohort's mean [cohort, note].

    Weights 1 / (1 + (|z - median| / usual)^2), without a gradient of their own: spoilt notes hardly move the mean.
    """
    with torch.no_grad():
        known = torch.where(mask[..., None], z, torch.nan)
        distance = (known - known.nanmedian(dim=1, keepdim=True).values).norm(dim=2)
        weight = 1 / (1 + (distance / (distance.nanmedian(dim=1, keepdim=True).values + 1e-6)).square())
        return weight.nan_to_num() * mask


def less_others(z: Tensor, weight: Tensor) -> Tensor:
    """Return each row less the weighted mean of the others of its cohort [cohort, note, column]."""
    others = (weight[..., None] * z).sum(dim=1, keepdim=True) - weight[..., None] * z
    return z - others / (weight.sum(dim=1, keepdim=True) - weight).clamp(min=1e-3)[..., None]
