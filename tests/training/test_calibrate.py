"""Calibration: the weights give back a real session's rate, and planted faults are learnt."""

import numpy as np
import pytest

from tests.judge.tables import no_trouble, note_table
from training.calibrate import CalibrationConfig, Examples, FitConfig, fit, orders
from triage.config import read_toml, shipped
from triage.judge.doubt import FINE
from triage.judge.features import gather

CONFIG = FitConfig(bad_notes=0.02, penalty=0.3)
SIZES = {"cents": 35.0, "level_dbfs": 7.0, "length_s": -0.69}
KINDS = {"cents": "intonation", "level_dbfs": "level", "length_s": "length"}


def session(seed):
    """Sixty notes, three of them spoilt, one a kind."""
    rows = np.random.default_rng(seed).choice(60, 3, replace=False)
    planted = [(int(row), name, size) for row, (name, size) in zip(rows, SIZES.items(), strict=True)]
    table = note_table(takes=10, seed=seed, planted=planted)
    kind = np.full(60, FINE, dtype="<U16")
    for row, name, _ in planted:
        kind[row] = KINDS[name]
    return Examples(gather(table, no_trouble(table)), table, kind, np.ones(60, bool))


@pytest.fixture(scope="module")
def fitted():
    return fit([session(seed) for seed in range(12)], CONFIG, "test")


def test_planted_faults_of_another_session_are_found_and_named(fitted):
    held_out = session(99)
    kinds, doubts = fitted.probabilities(held_out.evidence)
    bad = np.flatnonzero(held_out.kind != FINE)
    assert set(np.argsort(-doubts.sum(axis=1))[:3]) == set(bad)
    assert [kinds[int(doubts[row].argmax())] for row in bad] == list(held_out.kind[bad])


def test_the_mean_doubt_is_the_rate_that_the_weights_ask_for(fitted):
    # a logistic regression with free intercepts gives back its weighted class shares: log loss is proper
    ones = [session(seed) for seed in range(12)]
    doubt = np.concatenate([fitted.probabilities(one.evidence)[1].sum(axis=1) for one in ones])
    bad = np.concatenate([one.kind != FINE for one in ones])
    weight = np.where(bad, 0.02 / bad.mean(), 0.98 / (1 - bad.mean()))
    assert np.average(doubt, weights=weight) == pytest.approx(0.02, rel=0.1)


def test_the_shipped_recipe_keeps_the_held_back_instrument_out():
    config = read_toml(shipped("configs/calibration.toml"), CalibrationConfig)
    players = {player for order in orders(config) for player in order.instruments}
    assert players == {"tuba", "double-bass", "invented"}
    assert {order.half for order in orders(config)} == {"first"}
    assert len({order.seed for order in orders(config)}) == len(orders(config))
