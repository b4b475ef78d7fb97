"""kill -9, twenty times and more; two hundred times a command by ``python -m tests.faults --times 200``."""

import pytest

from tests.faults.kills import SCENARIOS

TIMES = {"first-intake": 3, "intake": 4, "verdict": 5, "desk": 3, "retrain": 2, "watch": 3}


@pytest.mark.parametrize("name, times", TIMES.items())
def test_after_a_kill_the_store_is_sound_and_the_next_run_goes_on(sqlite_place, name, times):
    tally = SCENARIOS[name](sqlite_place, times)
    assert tally.wrong == [] and tally.killed + tally.ended_before == times


@pytest.mark.parametrize("name, times", [("intake", 2), ("verdict", 2)])
def test_the_same_holds_on_postgresql(postgres_place, name, times):
    tally = SCENARIOS[name](postgres_place, times)
    assert tally.wrong == [] and tally.killed + tally.ended_before == times
