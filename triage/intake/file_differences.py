"""Files unlike the others of a session in rate, depth, channels or length."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from statistics import median_high

from triage.domain.arrivals import ArrivalProblem
from triage.intake.integrity import FileFacts

# Tracks of one take start and stop together, to the sample. Converting a sample rate moves an end by some
# samples, recorders that stop apart by a buffer or two (512 samples at 48 kHz are 10.7 ms); below 10 ms no
# note is lost.
LENGTH_TOLERANCE_S = 0.010


def find_unlike(
    takes: Iterable[Mapping[str, FileFacts]], sample_rate_hz: int | None, channels: int
) -> list[ArrivalProblem]:
    """Return one problem of kind unlike for each way in which a usable file differs from the others.

    Parameters
    ----------
    takes : iterable of mapping
        For each take, path to facts of its sound files.
    sample_rate_hz : int or None
        What session.toml asks for; None means that of most files.
    channels : int
        Channels that each file should have.

    Returns
    -------
    list of ArrivalProblem
        `what` is "sample_rate_hz", "bit_depth", "channels" or "length_s"; sorted by path. Lengths are compared
        within a take, with the (higher) median of its tracks, so that one odd track among three is named alone; of
        two tracks both are named, since neither is known to be right.
    """
    groups = [dict(take) for take in takes]
    files = {path: facts for group in groups for path, facts in group.items()}
    rate_hz = sample_rate_hz or _most([facts.sample_rate_hz for facts in files.values()])
    depth = _most([facts.bit_depth for facts in files.values()])
    unlike = []
    for path, facts in files.items():
        for what, found, expected in (
            ("sample_rate_hz", facts.sample_rate_hz, rate_hz),
            ("bit_depth", facts.bit_depth, depth),
            ("channels", facts.channels, channels),
        ):
            if found != expected:
                unlike.append(ArrivalProblem("unlike", path, what=what, found=found, expected=expected))
    for group in groups:
        unlike += _odd_lengths(group)
    return sorted(unlike, key=lambda entry: (entry.path or "", entry.what or ""))


def _odd_lengths(group: Mapping[str, FileFacts]) -> list[ArrivalProblem]:
    lengths_s = {path: facts.duration_s for path, facts in group.items()}
    odd = []
    for path, found_s in lengths_s.items():
        others_s = [length_s for other, length_s in lengths_s.items() if other != path]
        expected_s = median_high(others_s if len(others_s) < 2 else lengths_s.values()) if others_s else found_s
        if abs(found_s - expected_s) > LENGTH_TOLERANCE_S:
            odd.append(
                ArrivalProblem(
                    "unlike", path, what="length_s", found=round(found_s, 3), expected=round(expected_s, 3)
                )
            )
    return odd


def _most(values: Sequence[int]) -> int:
    """Return the value that most files have; of equals the larger, so that the answer is the same twice."""
    counts = Counter(values)
    return max(counts, key=lambda value: (counts[value], value), default=0)
