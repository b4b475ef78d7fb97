"""How fast the encoder is: ``python -m tests.bench.encoder``, on one core, and on a GPU where there is one.

One core: a take of two minutes, log-mel and network, as seconds of a track for each second that the core worked (time
of the processor, so that other programs on the machine do not count). GPU: takes
that lie on the card already, as frames and as waveforms, beside the two ceilings of that card (``ceilings.py``): how
fast it copies and how fast it multiplies matrices, what the encoder asks of both, and the gap. Without a GPU the same
is done on one core, to see that it works. Every figure is the median of several runs.
"""

import statistics
import time
from collections.abc import Callable

import numpy as np
import torch

from tests.bench.ceilings import Ceilings, count, measured, median_s
from training.gpu_rendering import DeviceLogMel
from triage.listen.encoder import SHIPPED, EncoderShape, Network, TrainedEncoder, load_encoder
from triage.listen.logmel import LogMel
from triage.listen.notes import NoteSegment

RATE_HZ, TAKE_S, RUNS = 48_000, 120, 7


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
        return TrainedEncoder(Network(EncoderShape()), "untrained")


def one_core(encoder: TrainedEncoder) -> None:
    """Print the real-time factors of one core."""
    wave = 0.1 * np.random.default_rng(0).standard_normal((1, TAKE_S * RATE_HZ)).astype(np.float32)
    blocks = [wave[:, at : at + 10 * RATE_HZ] for at in range(0, wave.shape[1], 10 * RATE_HZ)]
    notes = [NoteSegment(at + 0.5, at + 2.0, at + 3.0, -20.0) for at in range(0, TAKE_S, 4)]
    mel = LogMel(RATE_HZ)
    frames = np.concatenate(list(mel.frames(blocks)), axis=2)[0]
    mel_s, net_s = core_s(lambda: list(mel.frames(blocks))), core_s(lambda: encoder.encode(frames, notes))
    print(
        f"one core, {TAKE_S} s track: log-mel {TAKE_S / mel_s:.0f} x, encoder {TAKE_S / net_s:.0f} x, "
        f"both {TAKE_S / (mel_s + net_s):.0f} x real time"
    )


def on_a_device(encoder: TrainedEncoder, device: torch.device, takes: int, take_s: int = 60, notes: int = 12) -> None:
    """Print throughput with inputs on the device, what the work asks for, and how far from its ceilings it is."""
    network, half = encoder.network.to(device), device.type == "cuda"
    waves = 0.1 * torch.randn(takes, take_s * RATE_HZ, device=device)
    mel = DeviceLogMel(RATE_HZ, device)
    frames = mel(waves)
    lengths = torch.full((takes,), frames.shape[2], device=device)
    start = torch.linspace(1, take_s - 4, notes, device=device).expand(takes, notes)
    times = torch.stack((start, start + 1.5, start + 2.5), dim=2)

    def heard(frames: torch.Tensor, half: bool = half) -> torch.Tensor:
        with torch.inference_mode(), torch.autocast(device.type, torch.bfloat16, enabled=half):
            return network(frames, lengths, times)[0]

    ceilings = measured(device) if half else measured(device, 2**24, 512)
    what = f"{takes} takes of {take_s} s, " + ("bfloat16" if half else "single precision")
    name = torch.cuda.get_device_name() if half else "this CPU, one thread"
    copies, products = ceilings.bytes_s / 1e12, ceilings.operations_s / 1e12
    print(f"{name}: copies {copies:.3f} TB/s, products of bfloat16 {products:.2f} T op/s")
    heads = ("x real time", 13), ("GB moved", 10), ("T op", 8), ("bytes alone", 13), ("op alone", 10), ("took", 9)
    print(f"{what:40}" + "".join(f"{head:>{width}}" for head, width in (*heads, ("gap", 6))))
    line("encoder, from frames", lambda: heard(frames), device, ceilings, takes * take_s)
    line("log-mel and encoder, from waveforms", lambda: heard(mel(waves)), device, ceilings, takes * take_s)
    if half:
        full, rough = heard(frames, half=False), heard(frames)
        print(f"half precision moves the vectors by {float((rough - full).norm() / full.norm()):.2%} of their length")


def line(name: str, work: Callable[[], object], device: torch.device, ceilings: Ceilings, audio_s: float) -> None:
    """Print one row: the gap is the time taken over the longer of what bytes and operations alone would take."""
    asked, took_s = count(work), median_s(work, device)
    bytes_s, operations_s = ceilings.least_s(asked)
    print(
        f"{name:40}{audio_s / took_s:13,.0f}{asked.moved_bytes / 1e9:10.1f}{asked.operations / 1e12:8.2f}"
        f"{1000 * bytes_s:10.1f} ms{1000 * operations_s:7.1f} ms{1000 * took_s:6.0f} ms"
        f"{took_s / max(bytes_s, operations_s):6.1f}"
    )


if __name__ == "__main__":
    found = shipped_encoder()
    one_core(found)
    card = torch.cuda.is_available()
    on_a_device(found, torch.device("cuda" if card else "cpu"), 256 if card else 2)
