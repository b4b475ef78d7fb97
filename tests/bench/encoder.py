"""How fast the encoder is: ``python -m tests.bench.encoder``, on one core, and on a GPU where there is one.

One core: a take of two minutes, log-mel and network, as seconds of a track for each second that the core worked (time
of the processor, so that other programs on the machine do not count). GPU: takes
that lie on the card already, as frames and as waveforms, beside the two ceilings of that card, measured: how fast it
copies (bytes read and written) and how fast it multiplies matrices. Every figure is the median of several runs.
"""

import statistics
import time
from collections.abc import Callable

import numpy as np
import torch

from training.sounding import DeviceLogMel
from triage.listen.encoder import SHIPPED, Network, Shape, TrainedEncoder, load_encoder
from triage.listen.logmel import HOP_S, LogMel
from triage.listen.notes import Note

RATE_HZ, TAKE_S, RUNS = 48_000, 120, 7


def median_s(work: Callable[[], object], runs: int = RUNS) -> float:
    """Return the median time of ``work`` on the GPU, after one run to warm up."""

    def timed() -> float:
        began = time.perf_counter()
        work()
        torch.cuda.synchronize()
        return time.perf_counter() - began

    timed()
    return statistics.median(timed() for _ in range(runs))


def core_s(work: Callable[[], object], runs: int = RUNS) -> float:
    """Return the median time that this process's one thread worked, after one run to warm up."""

    def timed() -> float:
        began = time.process_time()
        work()
        return time.process_time() - began

    timed()
    return statistics.median(timed() for _ in range(runs))


def shipped_encoder() -> TrainedEncoder:
    """Return the shipped encoder, or, where there is none yet, one of its size."""
    torch.set_num_threads(1)
    try:
        print(f"loading {SHIPPED}: {core_s(load_encoder):.3f} s")
        return load_encoder()
    except Exception as error:
        print(f"{error}: timing an untrained one")
        return TrainedEncoder(Network(Shape()), "untrained")


def one_core(encoder: TrainedEncoder) -> None:
    """Print the real-time factors of one core."""
    wave = 0.1 * np.random.default_rng(0).standard_normal((1, TAKE_S * RATE_HZ)).astype(np.float32)
    blocks = [wave[:, at : at + 10 * RATE_HZ] for at in range(0, wave.shape[1], 10 * RATE_HZ)]
    notes = [Note(at + 0.5, at + 2.0, at + 3.0, -20.0) for at in range(0, TAKE_S, 4)]
    mel = LogMel(RATE_HZ)
    frames = np.concatenate(list(mel.frames(blocks)), axis=2)[0]
    mel_s, net_s = core_s(lambda: list(mel.frames(blocks))), core_s(lambda: encoder.listen(frames, notes))
    print(f"one core, {TAKE_S} s track: log-mel {TAKE_S / mel_s:.0f} x, encoder {TAKE_S / net_s:.0f} x, "
          f"both {TAKE_S / (mel_s + net_s):.0f} x real time")  # fmt: skip


def one_gpu(encoder: TrainedEncoder, takes: int = 256, take_s: int = 60, notes: int = 12) -> None:
    """Print throughput with inputs on the card, the ceilings, and how far half precision moves the vectors."""
    network, device = encoder.network.to("cuda"), torch.device("cuda")
    waves = 0.1 * torch.randn(takes, take_s * RATE_HZ, device=device)
    mel = DeviceLogMel(RATE_HZ, device)
    frames = mel(waves)
    lengths = torch.full((takes,), frames.shape[2], device=device)
    start = torch.linspace(1, take_s - 4, notes, device=device).expand(takes, notes)
    times = torch.stack((start, start + 1.5, start + 2.5), dim=2)

    def heard(frames: torch.Tensor, half: bool = True) -> torch.Tensor:
        with torch.inference_mode(), torch.autocast("cuda", torch.bfloat16, enabled=half):
            return network(frames, lengths, times)[0]

    audio_s = takes * take_s
    from_frames, from_waves = median_s(lambda: heard(frames)), median_s(lambda: heard(mel(waves)))
    full, half = heard(frames, half=False), heard(frames)
    away = float((half - full).norm() / full.norm())
    big = torch.randn(2**29, device=device)
    copied = torch.empty_like(big)
    copy_s = median_s(lambda: copied.copy_(big))
    square = torch.randn(8192, 8192, device=device, dtype=torch.bfloat16)
    product_s = median_s(lambda: square @ square)
    bytes_s, flop_s = 2 * big.nbytes / copy_s, 2 * 8192**3 / product_s
    shape = network.shape
    block = shape.kernel * shape.width + 2 * shape.widening * shape.width**2
    flop = 2 * (8 * 80 * shape.width + shape.blocks * block) / (4 * HOP_S)  # a second of audio; heads are small
    needed = 80 * 4 / HOP_S  # bytes of frames a second of audio, each read once
    print(f"{torch.cuda.get_device_name()}, {takes} takes of {take_s} s on the card, bfloat16: "
          f"frames {audio_s / from_frames:,.0f} x, waveforms {audio_s / from_waves:,.0f} x real time")  # fmt: skip
    print(f"ceilings: copy {bytes_s / 1e12:.2f} TB/s = {bytes_s / needed:,.0f} x, "
          f"bf16 product {flop_s / 1e12:.0f} TFLOP/s = {flop_s / flop:,.0f} x; "
          f"half precision moves the vectors by {away:.2%} of their length")  # fmt: skip


if __name__ == "__main__":
    found = shipped_encoder()
    one_core(found)
    if torch.cuda.is_available():
        one_gpu(found)
