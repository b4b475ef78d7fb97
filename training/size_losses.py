"""The losses of the encoder's training on sizes; their layers are used in training alone.

Beside the steps' and the kinds' aims of encoder_losses.py: read the signed size of each attribute from a vector's
difference; and equal faults give equal differences, whatever the instrument, the pitch and the room, so that notes
that differ by nothing but their recording, their room or their microphone do not differ.
"""

import torch
from torch import Tensor, nn

from training.batches import Batch
from training.encoder_losses import Losses, binary_cross_entropy, cohort_weights, less_others
from training.pool import KINDS
from triage.listen.encoder import SIZES, Network

LARGEST = 10.0  # JND: beyond it a size need only be large


class SizeLosses(Losses):
    """One loss for each aim, with the layers they need."""

    def __init__(self, dimension: int):
        super().__init__(dimension)
        self.expected = nn.Linear(2 * len(SIZES), dimension, bias=False)

    def aims(self, vectors: Tensor, logits: Tensor, batch: Batch, takes: int, network: Network) -> dict[str, Tensor]:
        """Return the loss of each aim; rows are view x episode x take, ``takes`` of them an episode."""
        z = vectors.reshape(len(vectors) // takes, -1, vectors.shape[2])  # (view x episode, note, dimension)
        mask, kind, labelled = (value.reshape(len(z), -1) for value in (batch.mask, batch.kind, batch.labelled))
        size = batch.measures.reshape(len(z), -1, len(SIZES))
        weight = cohort_weights(z, mask)
        difference, known = less_others(z, weight), torch.isfinite(size) & mask[..., None]
        size = size.nan_to_num()
        step = binary_cross_entropy(logits, batch.activations, batch.weight, reduction="sum")
        return {
            "evidence": step / batch.weight.sum(),
            "cohort": self._cohort(difference, mask, kind, mask & labelled, network.direction),
            "sizes": self._sizes(network.sizes(difference), less_others(size, weight), known),
            "alike": self._alike(difference, size, weight, mask & labelled & (kind != len(KINDS) - 1)),
        }

    @staticmethod
    def _sizes(found: Tensor, wanted: Tensor, known: Tensor) -> Tensor:
        """Return the share of each size's mean square that is missed, the mean over attributes: about 1 - R^2.

        Squares, because the absolute error would draw what is seldom planted towards 0.
        """
        wanted = wanted.clamp(-LARGEST, LARGEST)
        missed = ((found - wanted).square() * known).sum(dim=(0, 1))
        return (missed / ((wanted.square() * known).sum(dim=(0, 1)) + 0.02 * known.sum(dim=(0, 1)) + 1e-6)).mean()

    def _alike(self, difference: Tensor, size: Tensor, weight: Tensor, used: Tensor) -> Tensor:
        """Return the share of the differences' energy that the sizes do not explain: 0 to 1.

        One linear function of the sizes and their magnitudes, the same for all instruments, pitches and rooms. Notes
        with an audible noise are left out.
        """
        both = torch.cat((size, size.abs()), dim=2).clamp(-LARGEST, LARGEST)
        rest = difference - self.expected(less_others(both, weight))
        return rest[used].square().mean() / difference[used].square().mean().clamp(min=1e-6)
