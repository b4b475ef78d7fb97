"""The arithmetic of the two evaluations of pick-ups and best set, without any sound."""

import numpy as np
import pytest

from training.best_set_evaluation import PARTS, Row, exact_roughness, plans_of, planted_roughness, printed
from training.pickups_evaluation import holes_of, spoilt_notes
from training.plans import TakePlan
from triage.judge.clean_notes import Cell
from triage.sheets.best_set import KeepGroup, KeptNote


def planted(seed):
    rng = np.random.default_rng(seed)
    plans = plans_of(PARTS[0])
    return {(plan.name, pitch, count): rng.normal(size=3) for plan in plans for pitch, count in plan.expected()}


def group_of(keys):
    """A group that keeps these notes as repetition 1; numbers count pitches in order, twice each."""
    notes = []
    for take, pitch, count in keys:
        number = 2 * ((pitch - 48) % 4) + count + 1
        notes.append(
            KeptNote(
                "s",
                take,
                number,
                "horn",
                "staccato",
                "ff",
                pitch,
                "",
                1,
                0.0,
                1.0,
                False,
                True,
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                None,
                None,
                None,
                {},
            )
        )
    return KeepGroup("horn", "staccato", "ff", tuple(notes), 16, 96, 0.0, "", 6, 0.0, 0.0, None, ())


def test_every_cell_is_played_three_times_twice():
    keys = list(planted(0))
    assert len(keys) == 16 * 6 and len({key[0] for key in keys}) == 12


def test_what_was_planted_is_found_again_behind_the_kept_notes():
    off = planted(0)
    firsts = [(f"T{1 + (pitch - 48) // 4:03d}", pitch, 0) for pitch in range(48, 64)]
    best, first = planted_roughness(group_of(firsts), off, 1)
    assert best == pytest.approx(first)  # the first ones kept are the first ones
    steps = [np.abs(off[a] - off[b]).mean() for a, b in zip(firsts, firsts[1:], strict=False)]  # noqa: RUF007
    assert first == pytest.approx(np.mean(steps))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("wanted", [1, 2])
def test_known_exactly_the_planted_roughness_falls_by_three_tenths(seed, wanted):
    off = planted(seed)
    assert exact_roughness(off, wanted) < 0.7 * planted_roughness(group_of([]), off, wanted)[1]


def test_the_table_ends_with_the_mean():
    text = printed("x", [Row("a", (1.0, 2.0)), Row("b", (2.0, 2.0))])
    assert text.splitlines()[-1] == "| mean of 2 | 1.50 | 2.00 | 25% |"


def test_holes_are_cells_with_fewer_unspoilt_notes_than_wanted():
    plans = [TakePlan("T1", "horn", "long", "f", (50, 51), 2), TakePlan("T2", "horn", "long", "f", (52,), 1)]
    notes = [{"note": n, "onset_s": float(n)} for n in (1, 2, 3, 4)]
    fault = {"note": None, "kind": "dropout", "start_s": 2.4, "end_s": 2.5}
    truth = {"T1": {"fault": fault, "notes": notes}, "T2": {"fault": None, "notes": notes[:1]}}
    assert spoilt_notes(truth["T1"]) == [2]
    polarity = {"fault": {"note": None, "kind": "polarity"}, "notes": notes}
    assert spoilt_notes(polarity) == []  # the engineer turns it over: no player has to play it again
    assert spoilt_notes({"fault": {"note": 3, "kind": "length"}, "notes": notes}) == [3]
    holes, cells = holes_of(plans, truth, {"T2"})
    assert holes == {Cell("horn", "long", "f", 50), Cell("horn", "long", "f", 52)} and cells == 3
