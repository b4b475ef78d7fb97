"""The encoder: log-mel frames of a take in; embeddings of its notes and activations over time out, in one pass.

Frames (mel, frame) in dB at 10 ms are taken relative to the take's own loudest moment, so that gain drops out; a
strided convolution makes steps of 40 ms, residual blocks (depthwise convolution, then two layers over channels: Liu
et al., CVPR 2022, here in one dimension) see one second to either side, and heads read the steps: activations of
noises and faults at each step, and for each note a vector pooled over its segments. Nothing depends on the batch or
on padding: the norm is over channels (Ba et al., arXiv 1607.06450), and what lies beyond a take's end is held at zero
throughout.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from triage.config import shipped
from triage.domain.errors import AudioError, JudgeError
from triage.listen.cards import ENCODER as SHIPPED
from triage.listen.logmel import HOP_S, N_MELS
from triage.listen.notes import NoteSegment
from triage.listen.weights import read_weights, refused, write_weights

STRIDE = 4  # frames per step
STEP_S = STRIDE * HOP_S
FIRST_STEP_S = 1.5 * HOP_S  # a step's convolution spans frames 4 s - 2 to 4 s + 5, centred here for step 0
RANGE_DB = 80.0  # below the take's loudest moment, everything is clipped
LOUDEST = 8  # frames averaged for the loudest moment
# What shows in a single note; length, and level or tuning as such, take a neighbour to compare with.
PLAYED = ("attack", "intonation", "steadiness", "level", "release")
NOISES = ("knock", "creak", "breath", "voice", "mechanism", "paper", "other-noise")
ACTIVATION_KINDS = ("noise", *NOISES, *PLAYED)  # "noise": of any kind
# Attributes whose signed size in just noticeable differences a vector's difference from its cohort holds.
SIZES: tuple[str, ...] = ("tuning", "sag", "vibrato", "tremolo", "slow", "split", "crack", "scoop", "breath")
SIZES += ("length", "level", "swell", "tone", "release")
DIRECTIONS = ("attack", "steadiness", "release", "noise")  # faults that lie to one side of a cohort
NAME = "notes-1"
# Module attribute -> its name in files of weights, which older versions wrote as well.
FILE_NAMES = {"activations": "evidence", "hidden": "gather", "direction": "lean"}


@dataclass(frozen=True)
class EncoderShape:
    """The sizes of a network."""

    width: int = 160
    blocks: int = 8
    kernel: int = 7
    widening: int = 2
    hidden: int = 256
    dimension: int = 64
    sizes: int = 0  # attributes of SIZES whose size is read from a vector's difference; 0 for none


class EncoderBlock(nn.Module):
    """y = x + W2 gelu(W1 norm(depthwise(x))), on steps within the take."""

    def __init__(self, shape: EncoderShape):
        super().__init__()
        width, wide = shape.width, shape.widening * shape.width
        self.drop = nn.Dropout(0.0)  # set while training
        self.near = nn.Conv1d(width, width, shape.kernel, padding=shape.kernel // 2, groups=width)
        self.norm = nn.LayerNorm(width)
        self.widen, self.narrow = nn.Linear(width, wide), nn.Linear(wide, width)
        nn.init.zeros_(self.narrow.bias)
        nn.init.normal_(self.narrow.weight, std=0.01)  # each block starts close to doing nothing

    def forward(self, x: Tensor, inside: Tensor) -> Tensor:
        """Return steps (batch, step, width) from steps; ``inside`` (batch, step, 1) is 0 beyond a take's end."""
        y = self.near(x.transpose(1, 2)).transpose(1, 2)
        return (x + self.narrow(self.drop(functional.gelu(self.widen(self.norm(y)))))) * inside


class Network(nn.Module):
    """Takes of unequal length and their notes in, vectors and activations (logits) out."""

    def __init__(self, shape: EncoderShape):
        super().__init__()
        self.shape = shape
        self.enter = nn.Conv1d(N_MELS, shape.width, 2 * STRIDE, stride=STRIDE, padding=STRIDE // 2)
        self.blocks = nn.ModuleList(EncoderBlock(shape) for _ in range(shape.blocks))
        self.norm, self.drop = nn.LayerNorm(shape.width), nn.Dropout(0.0)
        self.activations = nn.Linear(shape.width, len(ACTIVATION_KINDS))
        self.attend = nn.Linear(shape.width, SEGMENTS)
        self.hidden = nn.Linear(2 * SEGMENTS * shape.width + 1, shape.hidden)
        self.vector = nn.Linear(shape.hidden, shape.dimension)
        self.direction = nn.Linear(shape.dimension, len(DIRECTIONS))  # of a vector's difference from its cohort
        if shape.sizes:
            self.sizes = nn.Linear(shape.dimension, shape.sizes, bias=False)  # of that difference too
            self.levels = nn.Linear(SEGMENTS * (N_MELS + 1) + 1, shape.dimension, bias=False)
            nn.init.zeros_(self.levels.weight)

    def forward(self, frames: Tensor, lengths: Tensor, times: Tensor) -> tuple[Tensor, Tensor]:
        """Encode a batch of takes.

        Parameters
        ----------
        frames : Tensor[batch, mel, frame]
            Levels in dB; anything beyond a take's length.
        lengths : Tensor[batch]
            Frames of each take.
        times : Tensor[batch, note, 3]
            Start, end and end of the ring of each note, s.

        Returns
        -------
        Tensor[batch, note, dimension], Tensor[batch, kind, step]
            Vectors; logits of ACTIVATION_KINDS, of ceil(frames / 4) steps.
        """
        x = relative(frames, lengths)  # (batch, mel, frame)
        x = functional.pad(x, (0, -x.shape[2] % STRIDE))
        inside = torch.arange(x.shape[2] // STRIDE, device=x.device) * STRIDE < lengths[:, None]
        inside = inside[:, :, None].to(x.dtype)
        steps = self.enter(x).transpose(1, 2) * inside  # (batch, step, width)
        for block in self.blocks:
            steps = block(steps, inside)
        steps = self.norm(steps)
        vectors = self._vectors(steps, lengths, times)
        if self.shape.sizes:
            vectors = vectors + self._level_part(frames, lengths, times)
        return vectors, self.activations(steps).transpose(1, 2).float()

    def _level_part(self, frames: Tensor, lengths: Tensor, times: Tensor) -> Tensor:
        """Return a linear function of each note's absolute levels, in dB, in each band, and of its length.

        What adds to the levels of a whole cohort, a room's colour or a gain, falls out of the differences exactly.
        """
        with torch.autocast(frames.device.type, enabled=False):  # half precision would round levels by a decibel
            inside = (torch.arange(frames.shape[2], device=frames.device) < lengths[:, None])[:, None]
            levels = torch.where(inside, frames.float(), -200.0)
            total = 10 * torch.log10((10 ** (levels / 10)).sum(dim=1, keepdim=True).clamp(min=1e-12))
            levels = torch.cat((torch.maximum(levels, total.amax(dim=2, keepdim=True) - RANGE_DB), total), dim=1)
            levels = functional.pad(levels, (0, -levels.shape[2] % STRIDE), mode="replicate")
            levels = functional.avg_pool1d(levels, STRIDE).transpose(1, 2) / 20 + 3  # (batch, step, mel + 1)
            share = segments(times, lengths, levels.shape[1])
            pooled = (share / share.sum(dim=3, keepdim=True)) @ levels[:, None]  # (batch, note, segment, mel + 1)
            length = torch.log2((times[:, :, 1] - times[:, :, 0]).float().clamp(min=0.02) / 0.5)[:, :, None]
            return self.levels(torch.cat((pooled.flatten(2), length), dim=2))

    def _vectors(self, steps: Tensor, lengths: Tensor, times: Tensor) -> Tensor:
        share = segments(times, lengths, steps.shape[1]).to(steps.dtype)  # (batch, note, segment, step)
        plain = share / share.sum(dim=3, keepdim=True)
        scores = self.attend(steps).transpose(1, 2)[:, None].float()  # (batch, 1, segment, step)
        attended = torch.softmax(scores + torch.log(share.float()), dim=3).to(steps.dtype)  # log 0: never outside
        pooled = torch.cat((plain, attended), dim=2) @ steps[:, None]  # (batch, note, 2 segments, width)
        length = torch.log2(((times[:, :, 1] - times[:, :, 0]).clamp(min=0.02)) / 0.5)[:, :, None]
        features = torch.cat((pooled.flatten(2), length.to(pooled.dtype)), dim=2)
        return self.vector(functional.gelu(self.hidden(self.drop(features)))).float()


SEGMENTS = 5  # of a note: the moment of the start, the attack, the held part, its end, the ring


def segments(times: Tensor, lengths: Tensor, steps: int) -> Tensor:
    """Return how much of each step lies in each segment of each note [batch, note, SEGMENTS, step].

    Segments in s from a note's start s, end e and end of ring r: s - 0.05 to s + 0.08; s + 0.04 to s + 0.3; s + 0.1
    to e; e - 0.15 to e + 0.08; e to r, but no less than 0.3 s and no more than 1.5 s. Each holds at least one step.
    """
    start, end, ring = times.float().unbind(dim=2)
    ring = torch.minimum(torch.maximum(ring, end + 0.3), end + 1.5)
    begin = torch.stack((start - 0.05, start + 0.04, start + 0.1, end - 0.15, end), dim=2)
    finish = torch.stack((start + 0.08, start + 0.3, end, end + 0.08, ring), dim=2)
    last = (torch.ceil(lengths / STRIDE) - 1).clamp(min=0)[:, None, None] * STEP_S + FIRST_STEP_S  # the last centre
    begin = torch.minimum(begin, last).clamp(min=0)
    finish = torch.minimum(torch.maximum(finish, begin + STEP_S), last + STEP_S / 2)
    centre = torch.arange(steps, device=times.device) * STEP_S + FIRST_STEP_S
    low, high = centre - STEP_S / 2, centre + STEP_S / 2
    overlap = torch.minimum(finish[..., None], high) - torch.maximum(begin[..., None], low)
    return overlap.clamp(min=0)


def relative(frames: Tensor, lengths: Tensor) -> Tensor:
    """Return levels as (L - L_loudest + 80 dB) / 40 dB, never below 0; 0 beyond each take's length.

    L_loudest is the highest mean power of all bands together over 80 ms of the take: gain drops out, and what is left
    of the level is the balance of the take's own notes.
    """
    inside = (torch.arange(frames.shape[2], device=frames.device) < lengths[:, None])[:, None]
    frames = torch.where(inside, frames.float(), -200.0)
    power = (10 ** (frames / 10)).sum(dim=1, keepdim=True)
    smooth = functional.avg_pool1d(functional.pad(power, (LOUDEST // 2, LOUDEST - 1 - LOUDEST // 2)), LOUDEST, 1)
    loudest_db = 10 * torch.log10(smooth.amax(dim=2, keepdim=True).clamp(min=1e-20))
    return (frames - loudest_db + RANGE_DB).clamp(min=0) / (RANGE_DB / 2) * inside


class TrainedEncoder:
    """A network ready to encode takes, as ``triage.listen.embed.Encoder``.

    Parameters
    ----------
    network : Network
    name : str
        Stored with the vectors: only vectors of the same name are compared.
    device : str
        "cpu", or "cuda" for many takes at once.
    half : bool
        Compute in bfloat16 where it is safe; vectors change by about a hundredth of their length.
    """

    def __init__(self, network: Network, name: str, device: str = "cpu", half: bool = False):
        self.network = network.to(device).eval()
        self.name, self.dimension = name, network.shape.dimension
        self.device, self.half = torch.device(device), half

    def embed(self, frames: np.ndarray, notes: Sequence[NoteSegment]) -> np.ndarray:
        """Return one vector per note [shape=(note, dimension)] from frames [shape=(mel, frame)] in dB."""
        return self.encode(frames, notes)[0]

    def encode(self, frames: np.ndarray, notes: Sequence[NoteSegment]) -> tuple[np.ndarray, np.ndarray]:
        """Encode one take.

        Parameters
        ----------
        frames : ndarray, shape (mel, frame)
            Levels in dB of one microphone.
        notes : sequence of NoteSegment

        Returns
        -------
        vectors : ndarray, shape (note, dimension), float32
        activations : ndarray, shape (kind, step), float32
            Probability of each of ACTIVATION_KINDS at ``step_times``; uncalibrated, trained on synthetic noises and
            faults.

        Raises
        ------
        AudioError
            If frames are not (N_MELS, frame).
        """
        return self.encode_many([(frames, notes)])[0]

    def directions(self, vectors: np.ndarray) -> np.ndarray:
        """Return vectors [shape=(note, dimension)] projected on DIRECTIONS [shape=(note, direction), float32].

        A linear probe: only differences between notes of one cohort mean anything, as log odds that the note with the
        higher value has that fault. So a projection is compared with its neighbours as any measurement is.
        """
        return vectors @ self.network.direction.weight.detach().float().cpu().numpy().T

    def sizes(self, differences: np.ndarray) -> np.ndarray:
        """Return the signed size of SIZES [shape=(note, size)] in just noticeable differences.

        ``differences`` [shape=(note, dimension)] are vectors less their neighbours'. An older encoder tells none:
        shape (note, 0).
        """
        if not self.network.shape.sizes:
            return np.zeros((len(differences), 0), np.float32)
        return differences @ self.network.sizes.weight.detach().float().cpu().numpy().T

    def encode_many(
        self, takes: Sequence[tuple[np.ndarray, Sequence[NoteSegment]]]
    ) -> list[tuple[np.ndarray, np.ndarray]]:
        """Encode several takes of any length in one batch; the same as ``encode`` on each."""
        for frames, _ in takes:
            if frames.ndim != 2 or frames.shape[0] != N_MELS:
                raise AudioError(f"frames have shape {frames.shape}, expected ({N_MELS}, frame)")
        lengths = [frames.shape[1] for frames, _ in takes]
        most = max((len(notes) for _, notes in takes), default=0)
        batch = np.zeros((len(takes), N_MELS, max([1, *lengths])), np.float32)
        times = np.tile(np.array([0.0, 0.1, 0.2], np.float32), (len(takes), max(1, most), 1))
        for row, (frames, notes) in enumerate(takes):
            batch[row, :, : frames.shape[1]] = frames
            times[row, : len(notes)] = np.array([(n.start_s, n.end_s, n.ring_end_s) for n in notes]).reshape(-1, 3)
        inputs = [torch.from_numpy(array).to(self.device) for array in (batch, np.array(lengths), times)]
        with torch.inference_mode(), torch.autocast(self.device.type, torch.bfloat16, enabled=self.half):
            vectors, logits = self.network(*inputs)
        both = zip(vectors.cpu().numpy(), torch.sigmoid(logits).cpu().numpy(), takes, strict=True)
        return [(v[: len(notes)], e[:, : -(-frames.shape[1] // STRIDE)]) for v, e, (frames, notes) in both]


def step_times(steps: int) -> np.ndarray:
    """Return the centre of each step of the activations, in s from the take's start [shape=(step,)]."""
    return np.arange(steps) * STEP_S + FIRST_STEP_S


def take_vector(vectors: np.ndarray) -> np.ndarray:
    """Return one vector for a take from those of its notes: their geometric median.

    The point with the least sum of distances, by Weiszfeld's iteration (Tohoku Math. J. 43, 1937): one spoilt note
    among good ones hardly moves it.

    Parameters
    ----------
    vectors : ndarray, shape (note, dimension)

    Returns
    -------
    ndarray, shape (dimension,), float32
        NaN for a take without notes.
    """
    if not len(vectors):
        return np.full(vectors.shape[1], np.nan, np.float32)
    middle = np.median(vectors, axis=0)
    for _ in range(50):
        weight = 1 / np.maximum(np.linalg.norm(vectors - middle, axis=1), 1e-6)
        middle = weight @ vectors / weight.sum()
    return middle.astype(np.float32)


def save_encoder(network: Network, path: Path, card: dict[str, object]) -> str:
    """Write weights and, beside them, the card with the network's sizes and the weights' SHA-256; return its name."""
    return write_weights(network, path, NAME, {"network": asdict(network.shape)} | card, FILE_NAMES)


def load_encoder(path: Path | None = None, device: str = "cpu", half: bool = False) -> TrainedEncoder:
    """Read an encoder; loading one never runs code of the file.

    Parameters
    ----------
    path : Path, optional
        Weights as safetensors; the card lies beside them as .json. The shipped ones if not given.
    device, half
        As of TrainedEncoder.

    Raises
    ------
    JudgeError
        If a file is missing or is not what its card says.
    """
    try:
        path = path or shipped(SHIPPED)
        card, weights = read_weights(path, FILE_NAMES)
        network = Network(EncoderShape(**card["network"]))
        network.load_state_dict(weights)
        return TrainedEncoder(network, str(card["name"]), device, half)
    except Exception as error:  # a strange file fails in many ways
        raise JudgeError(refused(error, path, "an encoder", "python -m training.pretrain")) from None
