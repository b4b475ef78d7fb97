"""Calibration: the weights give back a real session's rate, and planted faults are learnt."""

from dataclasses import replace

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from tests.judge.tables import no_noise, note_table
from training.calibrate import (
    CalibrationConfig,
    CalibrationFit,
    LabelledNotes,
    fit,
    monotone_softmax,
    session_specs,
    shares,
)
from triage.config import read_toml, shipped
from triage.judge.doubt import FINE
from triage.judge.features import note_features

CONFIG = CalibrationFit(bad_notes=0.02, taught_notes=0.1, technical_takes=0.01, penalty=0.1, foreign=10.0)
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
    return LabelledNotes(note_features(table, no_noise(table)), table, kind, np.ones(60, bool))


@pytest.fixture(scope="module")
def fitted():
    return fit([session(seed) for seed in range(12)], CONFIG, "test")


def test_planted_faults_of_another_session_are_found_and_named(fitted):
    held_out = session(99)
    kinds, doubts = fitted.probabilities(held_out.features)
    bad = np.flatnonzero(held_out.kind != FINE)
    assert set(np.argsort(-doubts.sum(axis=1))[:3]) == set(bad)
    assert [kinds[int(doubts[row].argmax())] for row in bad] == list(held_out.kind[bad])


def test_the_mean_doubt_is_the_rate_that_the_weights_ask_for(fitted):
    # the intercepts are moved until it is, whatever share of spoilt notes the weights were learnt with
    ones = [session(seed) for seed in range(12)]
    doubt = np.concatenate([fitted.probabilities(one.features)[1].sum(axis=1) for one in ones])
    bad = np.concatenate([one.kind != FINE for one in ones])
    weight = np.where(bad, 0.02 / bad.mean(), 0.98 / (1 - bad.mean()))
    assert np.average(doubt, weights=weight) == pytest.approx(0.02, rel=1e-4)


def test_every_kind_weighs_the_same_and_spoilt_notes_as_much_as_asked():
    kind = np.array([FINE] * 90 + ["level"] * 8 + ["tone"] * 2)
    weight = shares(kind, 0.1)
    assert weight.mean() == pytest.approx(1.0)
    assert [weight[kind == one].sum() / 100 for one in ("level", "tone", FINE)] == pytest.approx([0.05, 0.05, 0.9])
    noisy = np.where(kind == "tone", "noise", kind)
    weight = shares(noisy, 0.1, noise_share=0.3)
    assert [weight[noisy == one].sum() / 100 for one in ("level", "noise", FINE)] == pytest.approx([0.07, 0.03, 0.9])


def test_odd_notes_that_nobody_planted_do_not_teach_that_gross_deviations_are_harmless():
    rng = np.random.default_rng(0)
    deviation = np.concatenate([np.abs(rng.normal(0, 1, 2000)), rng.uniform(4, 8, 200)])[:, None]
    kind = np.array([FINE] * 2000 + ["level"] * 200)
    kind[rng.permutation(np.arange(2000, 2200))[:60]] = FINE  # three in ten of the gross ones are the recordings' own
    named, forgiving = (monotone_softmax(deviation, kind, np.ones(2200), 1e-6, odd) for odd in (0.0, 0.3))
    gross = []
    for one in (named, forgiving):
        level = list(one.classes_).index("level")
        gross.append(1 / (1 + np.exp(-(6.0 * one.coef_[level, 0] + one.intercept_[level]))))
    assert gross[0] < 0.85 < 0.95 < gross[1]


def test_more_evidence_never_lowers_a_doubt(fitted):
    features = session(99).features
    before = fitted.probabilities(features)[1].sum(axis=1)
    for column in range(features.matrix.shape[1]):
        matrix = features.matrix.copy()
        matrix[:, column] += 1.0
        after = fitted.probabilities(replace(features, matrix=matrix))[1].sum(axis=1)
        assert (after >= before - 1e-12).all()


def test_without_bounds_it_is_scikit_learns_regression():
    # other implementation: one column that only ever speaks against a note, so that no bound is active
    rng = np.random.default_rng(0)
    matrix = np.abs(rng.normal(size=(400, 1)))
    kind = np.where(rng.random(400) < 1 / (1 + np.exp(3 - 2 * matrix[:, 0])), "level", FINE)
    scale = np.sqrt((matrix**2).mean())
    ours = monotone_softmax(matrix, kind, np.ones(400), 1e-6)
    theirs = LogisticRegression(C=1e6, max_iter=5000).fit(matrix / scale, kind)
    at = np.array([[0.1], [1.0], [2.5]])
    level = list(ours.classes_).index("level")
    expected = theirs.predict_proba(at / scale)[:, list(theirs.classes_).index("level")]
    score = at @ ours.coef_[level] + ours.intercept_[level]
    np.testing.assert_allclose(1 / (1 + np.exp(-score)), expected, atol=1e-3)


def test_the_shipped_recipe_keeps_the_held_back_instrument_out():
    config = read_toml(shipped("configs/calibration.toml"), CalibrationConfig)
    players = {player for spec in session_specs(config) for player in spec.instruments}
    assert players == {"tuba", "double-bass", "invented"}
    # the encoder of each instrument was trained on neither it nor these clips
    parts = {(spec.instruments[0], spec.half) for spec in session_specs(config)}
    assert parts == {("tuba", "first-a"), ("double-bass", "first-b"), ("invented", "first-a")}
    assert set(config.encoders) == players
    assert len({spec.seed for spec in session_specs(config)}) == len(session_specs(config))
