"""A general pretrained embedding as a baseline, for evaluation only.

Samples of one microphone (sample,) and a take's notes go in; one vector of 512 numbers a note comes out. The network
(four convolution blocks on log-mel, Ma and Lerch, ISMIR 2022) and its 25 MB of weights come with a package under CC
BY 4.0, and nothing of it is in this repository. It pins old versions of numpy and librosa that it does not need here,
so it is installed without its dependencies (INSTALL).
"""

import importlib
import importlib.util
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torchaudio.functional import resample

from triage.domain.errors import ConfigError
from triage.listen.notes import NoteSegment

NAME = "general-pretrained"
INSTALL = "pip install --no-deps aisfx==0.1.2 librosa"
DIMENSION = 512
RATE_HZ, N_FFT, HOP, N_MELS = 44_100, 2048, 1024, 96  # as its authors trained it
BLOCK_FRAMES = 100
TOP = 9.457798957824707  # largest value of its training spectrograms
BEFORE_S = 0.05


def available() -> bool:
    """Tell whether the package is installed."""
    return importlib.util.find_spec("aisfx") is not None


@cache
def _network() -> Any:
    """Return the network; its checkpoint is read without running code of it."""
    if not available():
        raise ConfigError(f"the general pretrained embedding is not installed: {INSTALL}")
    from aisfx.models import cnn2d

    # Its table of data sets counts with numpy's integers, written under the name that numpy 1 had for them.
    scalar = (importlib.import_module("numpy._core.multiarray").scalar, "numpy.core.multiarray.scalar")
    path = Path(str(cnn2d.__file__)).with_name("checkpoint.pth")
    with torch.serialization.safe_globals([scalar, np.dtype, np.dtypes.Int64DType]):
        weights, _ = torch.load(path, map_location="cpu", weights_only=True)
    network = cnn2d.EmbeddingNet("max", 3, 1, 64)
    own = {key.removeprefix("embedding_net."): value for key, value in weights.items() if "embedding_net" in key}
    network.load_state_dict(own)
    return network.eval()


def general_vectors(samples: np.ndarray, rate_hz: int, notes: Sequence[NoteSegment]) -> np.ndarray:
    """Return one vector a note [shape=(note, 512)] from the samples of its take [shape=(sample,)].

    Each note is cut from 0.05 s before its start to the end of its ring, 2.3 s at most (the network's block), and
    brought to peak 1 as its authors do; shorter ones are followed by silence.
    """
    if not notes:
        return np.zeros((0, DIMENSION), np.float32)
    blocks = np.stack([_block(samples, rate_hz, note) for note in notes])
    with torch.inference_mode():
        return np.asarray(_network()(torch.from_numpy(blocks)).numpy())


def _block(samples: np.ndarray, rate_hz: int, note: NoteSegment) -> np.ndarray:
    """Return the scaled log-mel of one note [shape=(frame, mel)]."""
    import librosa

    first = max(0, round((note.start_s - BEFORE_S) * rate_hz))
    longest_s = (BLOCK_FRAMES - 1) * HOP / RATE_HZ
    last = round(min(note.ring_end_s, note.start_s - BEFORE_S + longest_s) * rate_hz)
    part = torch.from_numpy(np.nan_to_num(samples[first : max(last, first + N_FFT)]).astype(np.float32))
    wave = resample(part, rate_hz, RATE_HZ).numpy()
    wave = wave / max(float(np.abs(wave).max(initial=0.0)), 1e-9)
    power = librosa.feature.melspectrogram(
        y=wave, sr=RATE_HZ, n_fft=N_FFT, hop_length=HOP, n_mels=N_MELS, norm=1.0, fmin=0.0, fmax=RATE_HZ / 2, htk=True
    )
    block = np.zeros((BLOCK_FRAMES, N_MELS), np.float32)
    frames = np.log10(power * 10_000.0 + 1.0).T[:BLOCK_FRAMES] / TOP
    block[: len(frames)] = frames
    return block
