"""The noise network: log-mel frames of a take's microphones in, how audible a noise is at each step out.

Every microphone is read by itself (``own``), beside where the notes stand, so that their own attacks and releases are
not taken for noises: residual blocks of depthwise convolutions, dilated so that they see 1.8 s to either side, on
steps of 20 ms, give a few numbers per step. Then all microphones are read together (``joint``): a noise reaches all
of them, a beating tail shows on one alone. Out come, for each step: whether a noise is audible on any microphone and
of which kind, for each microphone whether there and how far over the music, and whether a natural sound of playing
(a breath, a key, the bow) is audible, and of which kind.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from triage.config import shipped
from triage.domain.errors import AudioError
from triage.domain.kinds import NATURAL, NOISES
from triage.listen.cards import DETECTOR as SHIPPED
from triage.listen.logmel import HOP_S, N_MELS
from triage.listen.notes import NoteSegment
from triage.listen.weights import read_weights, refused, write_weights

STRIDE = 2  # frames per step
STEP_S = STRIDE * HOP_S
RANGE_DB = 80.0  # below the microphone's loudest moment, everything is clipped
FLOOR_FRAMES = 21  # 0.2 s means, of which the fifth percentile is the floor
MARKS = 2  # of the notes, beside the frames: where they start, where they sound
START_S = (-0.03, 0.05)  # around a note's start
AUDIBLE_DB = 10.0  # the unit in which the network predicts how far a noise stands over what covers it
NAME = "noises-3"
FILE_NAMES = {"message": "told"}  # module attribute -> its name in files of weights


@dataclass(frozen=True)
class NoiseNetworkShape:
    """The sizes of a network."""

    width: int = 96
    blocks: int = 8
    kernel: int = 7
    widening: int = 2
    told: int = 24  # size of a microphone's message to the joint part; cards and configurations call it so
    joint: int = 64


class NoisePrediction(NamedTuple):
    """The network's predictions at every step, as logits; of the take, and of each microphone."""

    any: Tensor  # (..., step)
    kinds: Tensor  # (..., kind, step)
    there: Tensor  # (..., mic, step)
    audible: Tensor  # (..., mic, step), in AUDIBLE_DB over what covers it
    natural: Tensor  # (..., step): a natural sound of playing is audible
    sounds: Tensor  # (..., natural kind, step)


class NoiseBlock(nn.Module):
    """y = x + W2 gelu(W1 norm(depthwise(x))) on (row, width, step)."""

    def __init__(self, width: int, shape: NoiseNetworkShape, dilation: int):
        super().__init__()
        wide, reach = shape.widening * width, dilation * (shape.kernel // 2)
        self.near = nn.Conv1d(width, width, shape.kernel, padding=reach, dilation=dilation, groups=width)
        self.norm = nn.LayerNorm(width)
        self.widen, self.narrow = nn.Linear(width, wide), nn.Linear(wide, width)
        nn.init.zeros_(self.narrow.bias)
        nn.init.normal_(self.narrow.weight, std=0.01)  # each block starts close to doing nothing

    def forward(self, x: Tensor) -> Tensor:
        """Return (row, step, width) from the same."""
        y = self.near(x.transpose(1, 2)).transpose(1, 2)
        return x + self.narrow(functional.gelu(self.widen(self.norm(y))))


class NoiseNetwork(nn.Module):
    """Frames of one microphone in (``own``); all microphones together in (``joint``)."""

    def __init__(self, shape: NoiseNetworkShape):
        super().__init__()
        self.shape = shape
        self.enter = nn.Conv1d(2 * N_MELS + MARKS, shape.width, 2 * STRIDE, stride=STRIDE, padding=STRIDE // 2)
        self.blocks = nn.ModuleList(NoiseBlock(shape.width, shape, 2 ** (k % 4)) for k in range(shape.blocks))
        self.norm, self.message = nn.LayerNorm(shape.width), nn.Linear(shape.width, shape.told)
        self.meet = nn.Linear(3 * shape.told, shape.joint)
        self.together = nn.ModuleList(NoiseBlock(shape.joint, shape, 4**k) for k in range(2))
        self.last = nn.LayerNorm(shape.joint)
        self.mics = nn.Linear(shape.joint, 2)
        self.take = nn.Linear(2 * shape.joint, 2 + len(NOISES) + len(NATURAL))

    def own(self, frames: Tensor, marks: Tensor) -> Tensor:
        """Return the messages of microphones to the joint part [mic, step, message].

        Parameters
        ----------
        frames : Tensor[mic, mel, frame]
            Levels in dB.
        marks : Tensor[mic, MARKS, frame]
            As of ``marked``.
        """
        x = torch.cat((seen(frames), marks), dim=1)
        x = functional.pad(x, (0, -frames.shape[2] % STRIDE), mode="replicate")
        steps = self.enter(x).transpose(1, 2)
        for block in self.blocks:
            steps = block(steps)
        return torch.tanh(self.message(self.norm(steps)))

    def joint(self, messages: Tensor) -> NoisePrediction:
        """Return the predictions for takes, from messages [take, mic, step, message].

        One microphone after another: what is held at once does not grow with their number.
        """
        every = (messages.amax(dim=1), messages.mean(dim=1))
        most: Tensor | None = None
        total, found = torch.zeros(()), []
        for own in messages.unbind(dim=1):
            x = self.meet(torch.cat((own, *every), dim=2))
            for block in self.together:
                x = block(x)
            x = self.last(x)
            most, total = x if most is None else torch.maximum(most, x), total + x
            found.append(self.mics(x))
        assert most is not None
        whole = self.take(torch.cat((most, total / messages.shape[1]), dim=2)).transpose(1, 2).float()
        there = torch.stack(found, dim=1).float()
        any_, kinds, natural, sounds = whole.split((1, len(NOISES), 1, len(NATURAL)), dim=1)
        return NoisePrediction(any_[:, 0], kinds, there[..., 0], there[..., 1], natural[:, 0], sounds)


def seen(frames: Tensor) -> Tensor:
    """Return frames [mic, mel, frame] in dB as two views [mic, 2 mel, frame].

    (L - L_loudest + 80 dB) / 40 dB, never below 0, L_loudest being the highest level of all bands together; and (L -
    floor) / 20 dB within -0.5 and 2, the floor of each band being the fifth percentile of its 0.2 s means: so gain
    drops out, and what stands just over a microphone's own background shows as well as what is loud.
    """
    power = torch.exp(frames * (math.log(10) / 10))
    loudest_db = 10 * torch.log10(power.sum(dim=1, keepdim=True).amax(dim=2, keepdim=True).clamp(min=1e-20))
    smooth = functional.avg_pool1d(power, FLOOR_FRAMES, 4, FLOOR_FRAMES // 2, count_include_pad=False)
    floor = smooth.kthvalue(max(1, smooth.shape[2] // 20), dim=2, keepdim=True).values
    over = frames - 10 * torch.log10(floor.clamp(min=1e-20))
    return torch.cat(((frames - loudest_db + RANGE_DB).clamp(min=0) / 40, (over / 20).clamp(-0.5, 2.0)), dim=1)


def marked(start_s: Tensor, end_s: Tensor, frames: int) -> Tensor:
    """Return where notes start and where they sound [MARKS, frame], 0 or 1, from their times [note] in s."""
    time_s = torch.arange(frames, device=start_s.device) * HOP_S
    since_s = time_s - start_s[:, None]
    starts = (since_s >= START_S[0]) & (since_s < START_S[1])
    sounds = (since_s >= 0) & (time_s < end_s[:, None])
    return torch.stack((starts.any(dim=0), sounds.any(dim=0))).float()


class NoiseDetector:
    """A network ready to analyse takes, microphone by microphone; on the CPU unless the network is elsewhere."""

    def __init__(self, network: NoiseNetwork, name: str):
        self.network, self.name = network.eval(), name

    def own(self, frames: np.ndarray, notes: Sequence[NoteSegment]) -> np.ndarray:
        """Return one microphone's messages [shape=(step, message), float16] from its frames [shape=(mel, frame)]."""
        if frames.ndim != 2 or frames.shape[0] != N_MELS:
            raise AudioError(f"frames have shape {frames.shape}, expected ({N_MELS}, frame)")
        times = torch.tensor([(note.start_s, note.end_s) for note in notes], dtype=torch.float32).reshape(-1, 2)
        with torch.inference_mode():
            marks = marked(times[:, 0], times[:, 1], frames.shape[1])[None]
            messages = self.network.own(torch.from_numpy(np.ascontiguousarray(frames, np.float32))[None], marks)[0]
        return messages.numpy().astype(np.float16)

    def joint(self, messages: list[np.ndarray]) -> NoisePrediction:
        """Return the predictions over all microphones of one take, as probabilities and dB.

        ``messages`` are of ``own``; a shorter track is silent after its end. Shapes: any (step,), kinds (kind, step),
        there (mic, step), audible (mic, step) in dB, natural (step,), sounds (natural kind, step).
        """
        steps = max(map(len, messages))
        whole = np.zeros((1, len(messages), steps, self.network.shape.told), np.float32)
        for row, own in zip(whole[0], messages, strict=True):
            row[: len(own)] = own
        with torch.inference_mode():
            found = self.network.joint(torch.from_numpy(whole))
        return NoisePrediction(
            torch.sigmoid(found.any[0]),
            torch.softmax(found.kinds[0], dim=0),
            torch.sigmoid(found.there[0]),
            found.audible[0] * AUDIBLE_DB,
            torch.sigmoid(found.natural[0]),
            torch.softmax(found.sounds[0], dim=0),
        )


def save_detector(network: NoiseNetwork, path: Path, card: dict[str, object]) -> str:
    """Write weights and, beside them, the card with the network's sizes and the weights' SHA-256; return its name."""
    return write_weights(network, path, NAME, {"network": asdict(network.shape)} | card, FILE_NAMES)


@cache
def load_detector(path: Path | None = None) -> NoiseDetector:
    """Return the shipped network, or the one of a path, read once a process; loading it runs no code of the file.

    Raises
    ------
    AudioError
        If a file is missing or is not what its card says.
    """
    try:
        path = path or shipped(SHIPPED)
        card, weights = read_weights(path, FILE_NAMES)
        network = NoiseNetwork(NoiseNetworkShape(**card["network"]))
        network.load_state_dict(weights)
        return NoiseDetector(network, str(card["name"]))
    except Exception as error:  # a strange file fails in many ways
        raise AudioError(refused(error, path, "a noise network", "python -m training.noise_training")) from None
