"""Training the classifier of noises: labels, a fit on a few rows, and a file that the tool can read."""

import numpy as np
import pytest

from training.noise_kinds import KindsRecipe, fit, label, save
from training.noise_scenes import Planted
from triage.config import read_toml, shipped
from triage.listen import kinds
from triage.listen.hits import Candidate
from triage.listen.kinds import FEATURES, MUSIC, load_noise_model


def noise(start_s=2.0, end_s=2.3, exposed=0.9):
    return Planted("knock", start_s, end_s, "gap", "close", (start_s, start_s + 0.02), exposed, 30.0)


def candidate(start_s, end_s):
    return Candidate(start_s, end_s, -50.0, 20.0, 10.0, 0.8, np.zeros(len(FEATURES), np.float32))


@pytest.mark.parametrize("start_s, end_s, mic, expected", [
    (2.0, 2.2, 0, "knock"), (2.05, 2.2, 1, "knock"), (1.0, 1.2, 0, MUSIC), (4.0, 4.1, 0, MUSIC),
    (2.6, 2.8, 0, None),  # its own ring-out
])  # fmt: skip
def test_a_candidate_is_labelled_by_what_it_overlaps(start_s, end_s, mic, expected):
    assert label(candidate(start_s, end_s), mic, (noise(),)) == expected


def test_a_noise_that_nobody_hears_is_no_example():
    assert label(candidate(2.0, 2.2), 0, (noise(exposed=0.05),)) is None


def test_a_fit_tells_what_it_was_shown_and_can_be_read_again(tmp_path, monkeypatch):
    recipe = read_toml(shipped("configs/noise_kinds.toml"), KindsRecipe)
    recipe = recipe.model_copy(update={"networks": 2, "epochs": 60})
    rng = np.random.default_rng(0)
    rows = rng.normal(size=(90, len(FEATURES))).astype(np.float32)
    labels = np.repeat(["knock", "creak", MUSIC], 30)
    for k in range(3):
        rows[30 * k : 30 * (k + 1), k] += 6.0
    model = fit(rows, labels, recipe)
    save(model, tmp_path / "noises.safetensors")
    monkeypatch.setattr(kinds, "shipped", lambda name: tmp_path / "noises.safetensors")
    load_noise_model.cache_clear()
    names, found = load_noise_model().probabilities(rows)
    load_noise_model.cache_clear()
    assert (np.array(names)[found[:60].argmax(axis=1)] == labels[:60]).mean() > 0.95
    assert (found[60:].sum(axis=1) < 0.5).mean() > 0.95
