"""The two ceilings of a device, and what a piece of work asks of it: bytes moved and operations.

Both ceilings are measured on the card in hand: how fast it copies its own memory (bytes read and written), and how
fast it multiplies large matrices of bfloat16 (two operations a product). Work is counted as it is run, operator by
operator: an operator moves what it reads and what it writes, a view moves nothing; operations are those of products
and convolutions (torch.utils.flop_counter), beside which all else is small.
"""

import statistics
import time
from collections.abc import Callable
from typing import Any, NamedTuple

import torch
from torch.utils._python_dispatch import TorchDispatchMode
from torch.utils._pytree import tree_leaves
from torch.utils.flop_counter import FlopCounterMode

RUNS = 7
COPIED, SQUARE = 2**29, 8192  # numbers of 4 bytes; rows of the matrices


class Asked(NamedTuple):
    """What a piece of work asks of the device."""

    moved_bytes: int
    operations: int


class Ceilings(NamedTuple):
    """What the device can do in a second."""

    bytes_s: float
    operations_s: float

    def least_s(self, asked: Asked) -> tuple[float, float]:
        """Return the seconds that the bytes alone would take, and the operations alone."""
        return asked.moved_bytes / self.bytes_s, asked.operations / self.operations_s


class _Bytes(TorchDispatchMode):
    """Adds up what operators read and write."""

    def __init__(self) -> None:
        super().__init__()
        self.total = 0

    def __torch_dispatch__(self, function: Any, types: Any, args: Any = (), kwargs: Any = None) -> Any:
        result = function(*args, **(kwargs or {}))
        read = [one for one in tree_leaves((args, kwargs)) if isinstance(one, torch.Tensor)]
        written = [one for one in tree_leaves(result) if isinstance(one, torch.Tensor)]
        places = {one.untyped_storage().data_ptr() for one in read}
        changes = function._schema.is_mutable
        if changes or any(one.untyped_storage().data_ptr() not in places for one in written):
            self.total += sum(one.numel() * one.element_size() for one in (*read, *written))
        return result


def count(work: Callable[[], object]) -> Asked:
    """Return what ``work`` asks for; run once, on whatever device its tensors are."""
    with FlopCounterMode(display=False) as operations:
        work()
    with _Bytes() as moved:
        work()
    return Asked(moved.total, operations.get_total_flops())


def measured(device: torch.device, copied: int = COPIED, square: int = SQUARE, runs: int = RUNS) -> Ceilings:
    """Return the ceilings of a device."""
    source = torch.randn(copied, device=device)
    target = torch.empty_like(source)
    copy_s = median_s(lambda: target.copy_(source), device, runs)
    matrix = torch.randn(square, square, device=device, dtype=torch.bfloat16)
    product_s = median_s(lambda: matrix @ matrix, device, runs)
    return Ceilings(2 * source.nbytes / copy_s, 2 * square**3 / product_s)


def median_s(work: Callable[[], object], device: torch.device, runs: int = RUNS) -> float:
    """Return the median time of ``work`` until the device has done it, after one run to warm up."""

    def timed() -> float:
        began = time.perf_counter()
        work()
        if device.type == "cuda":
            torch.cuda.synchronize()
        return time.perf_counter() - began

    timed()
    return statistics.median(timed() for _ in range(runs))
