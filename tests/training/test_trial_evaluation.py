"""The evaluation on test sessions: its figures for rankings whose figures are known."""

import dataclasses

import pytest

from tests.training.public_folder import write_public
from training.public_recordings import read_public
from training.trial.sessions import build_session
from training.trial_evaluation import RankedTake, natural_loss, rank_session, report, table


def ranked(name: str, doubts: list[float]) -> list[RankedTake]:
    """Return ten takes: T0 and T1 rejects, T2 with a small fault, the others faultless."""
    faults = [[{"kind": "sharp", "size": 3.0}], [{"kind": "dropout", "size": None}], [{"kind": "sharp", "size": 0.5}]]
    return [
        RankedTake(name, f"T{n}", n < 2, faults[n] if n < 3 else [], 1.0, doubt, float(n), float(-n), [])
        for n, doubt in enumerate(doubts)
    ]


PERFECT = [1.0, 0.9, 0.5, *[0.1] * 7]
REVERSED = [0.0, 0.1, 0.2, *[0.5] * 7]


def test_a_perfect_ranking_has_perfect_figures():
    figures = report({"a": ranked("a", PERFECT), "b": ranked("b", PERFECT)})
    assert figures["mean"]["tool"]["auroc"] == {"mean": 1.0, "95": [1.0, 1.0]}
    assert figures["mean"]["tool"]["wss_95"]["mean"] == pytest.approx(0.75)
    assert figures["mean"]["tool"]["recall_20_percent_time"]["mean"] == 1
    assert figures["mean"]["isolation forest"]["auroc"]["mean"] == 1
    assert figures["mean"]["loudness"]["auroc"]["mean"] == 0
    assert figures["mean"]["random order"]["auroc"]["mean"] == pytest.approx(0.5, abs=0.1)


def test_groups_compare_with_faultless_takes_of_the_same_session():
    figures = report({"a": ranked("a", PERFECT), "b": ranked("b", REVERSED)})
    assert figures["by_kind"]["dropout"] == {"takes": 2, "auroc_against_faultless": 0.5, "median_doubt": 0.5}
    assert figures["by_size"]["3 JND"]["takes"] == 2
    assert figures["by_size"]["0.5 to 1 JND"]["auroc_against_faultless"] == 0.5
    assert set(figures["by_size"]) == {"3 JND", "0.5 to 1 JND", "present or absent"}


def test_the_loss_through_natural_sounds_is_paired():
    loss = natural_loss({"a": ranked("a", PERFECT)}, {"b": ranked("b", REVERSED)})
    assert loss["mean"]["auroc"]["mean"] == 1
    assert natural_loss({"a": ranked("a", PERFECT)}, {"b": ranked("b", PERFECT)})["mean"]["auroc"]["mean"] == 0


def test_the_table_names_sessions_sizes_and_kinds():
    text = "\n".join(table("plain", report({"a": ranked("a", PERFECT)})))
    assert all(word in text for word in ("sharp", "dropout", "3 JND", "random order", "1.000"))


def test_a_session_is_built_taken_in_and_ranked(tmp_path):
    recordings, _ = read_public(write_public(tmp_path / "public"), for_testing=True)
    folder = build_session(recordings, tmp_path / "trial-1", 3, takes=6)
    takes = rank_session(folder, f"sqlite:///{tmp_path / 'trial.db'}")
    assert [take.take for take in takes] == [f"T{n:03}" for n in range(1, 7)]
    assert all(0 <= take.doubt <= 1 and take.minutes > 0 for take in takes)
    assert sum(take.reject for take in takes) == 1
    assert all(dataclasses.asdict(take)["session"] == "trial-1" for take in takes)
