import numpy as np
import pytest

from training.encoder_validation import one_sided_scores, scores
from training.pool import KINDS, MEASURED


def notes(rng, fault: float = 0.0, room: float = 0.0, episodes: int = 24) -> dict[str, np.ndarray]:
    """Twelve notes an episode in two views, one in six spoilt: moved by ``fault``, each view by ``room``."""
    columns: dict[str, list] = {
        name: []
        for name in ("vector", "kind", "labelled", "pitch", "note", "measures", "take", "cohort", "episode", "view")
    }
    for episode in range(episodes):
        own = rng.standard_normal((12, 6))
        kind = np.where(np.arange(12) % 6 == 0, KINDS.index("attack"), 0)
        own[kind > 0, 0] += fault
        measures = rng.standard_normal((12, len(MEASURED)))
        own[:, 1:6] += 5 * measures
        for view in range(2):
            columns["vector"].append(own + room * rng.standard_normal(own.shape))
            columns["kind"].append(kind)
            columns["labelled"].append(np.ones(12, bool))
            columns["pitch"].append(np.arange(12) % 4)
            columns["note"].append(np.arange(12))
            columns["measures"].append(measures)
            columns["take"].append(1000 * episode + 100 * view + np.arange(12) // 4)
            columns["cohort"].append(np.full(12, 2 * episode + view))
            columns["episode"].append(np.full(12, episode))
            columns["view"].append(np.full(12, view))
    return {name: np.concatenate(values) for name, values in columns.items()}


def test_vectors_that_know_nothing_score_by_chance():
    found = scores(notes(np.random.default_rng(1)))
    assert found["val/knn"] == pytest.approx(0.5, abs=0.12)
    assert found["val/probe"] == pytest.approx(0.5, abs=0.15)


def test_a_fault_that_moves_the_vector_is_found():
    found = scores(notes(np.random.default_rng(2), fault=60.0))
    assert found["val/distance"] > 0.99 and found["val/probe"] > 0.99 and found["val/knn"] > 0.9
    assert found["val/distance_attack"] > 0.99 and np.isnan(found["val/distance_length"])


def test_room_and_playing_are_separated():
    same, moved = (scores(notes(np.random.default_rng(3), room=room)) for room in (0.0, 40.0))
    assert same["val/room_share"] == pytest.approx(0.0, abs=1e-9) and same["val/again"] == 1.0
    # by the formula: half the mean square between two rooms over the mean square; 40^2 against 40^2 + about 26
    assert moved["val/room_share"] == pytest.approx(1.0, abs=0.1) and moved["val/again"] < 0.3


def test_measurements_that_lie_in_the_vector_are_read():
    assert scores(notes(np.random.default_rng(4)))["val/measured"] > 0.9
    other = notes(np.random.default_rng(4))
    other["measures"] = np.random.default_rng(5).standard_normal(other["measures"].shape)
    assert scores(other)["val/measured"] < 0.1


def test_a_one_sided_output_is_scored_for_its_own_fault_alone():
    own = notes(np.random.default_rng(6), fault=60.0)
    outputs = np.zeros((len(own["kind"]), 4))
    outputs[:, 0] = own["vector"][:, 0]
    found = one_sided_scores(own, outputs)
    assert found["val/lean_attack"] > 0.99 and np.isnan(found["val/lean_noise"])
