"""Strangers' bytes, by Hypothesis: the odd files as they are, cut, spliced and changed; a coverage-guided fuzzer goes
on for as long as one likes (``python -m tests.fuzz``)."""

import time
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS, tried

MOST_S, MOST_BYTES = 10.0, 1_000_000_000


def changed(seeds):
    """Return seeds with pieces cut out, doubled, swapped, and bytes changed."""

    def spoil(parts):
        one, other, places, values, how = parts
        at = sorted(place % (len(one) + 1) for place in places)
        if how == "cut":
            return one[: at[0]] + one[at[1] :]
        if how == "double":
            return one[: at[1]] + one[at[0] :]
        if how == "splice":
            return one[: at[0]] + other[at[0] :]
        return b"".join((one[: at[0]], values, one[at[0] + len(values) :]))

    place = st.integers(0, 1 << 20)
    hows = st.sampled_from(["cut", "double", "splice", "change", "change"])
    seed = st.sampled_from(seeds)
    return st.tuples(seed, seed, st.tuples(place, place), st.binary(min_size=1, max_size=8), hows).map(spoil)


@pytest.mark.parametrize("name", TARGETS)
def test_every_odd_file_ends_well_in_little_time_and_memory(name):
    tracemalloc.start()
    try:
        for seed in TARGETS[name].seeds:
            started = time.monotonic()
            tried(TARGETS[name], seed)
            assert time.monotonic() - started < MOST_S  # a hang, not a speed
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("name", TARGETS)
def test_strangers_bytes_end_well_or_in_one_line(name):
    target = TARGETS[name]

    @settings(
        max_examples=60, deadline=10_000, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    @given(
        st.one_of(
            changed(target.seeds),
            changed(target.seeds),
            st.binary(max_size=300),
            st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        )
    )
    def given_to(data):
        tried(target, data)

    given_to()
