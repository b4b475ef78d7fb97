"""Learning from verdicts: few move the shipped doubt little, many outweigh it, noise is never learnt as playing."""

from dataclasses import replace

import numpy as np
import pytest

from tests.training.synthetic_sessions import made_session, verdicts_of
from training.candidates import CANDIDATES, calibrate, learn
from training.selection import RetrainingConfig, session_scores
from training.verdict_examples import examples_of_session
from triage.config import read_toml, shipped
from triage.judge.doubt import load_model
from triage.judge.learned_doubt import from_bytes, to_bytes
from triage.ranking.session_features import session_features

CONFIG = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)


@pytest.fixture(scope="module")
def prior():
    return load_model()


def labelled_session(seed, label_noise=0.0, **how):
    takes, truth = made_session(seed, **how)
    verdicts = verdicts_of(truth, np.random.default_rng(seed), label_noise)
    return examples_of_session(f"s{seed}", session_features(takes, {}, {}), verdicts)


@pytest.fixture(scope="module")
def sessions():
    return [labelled_session(seed, label_noise=0.05) for seed in range(6)]


@pytest.mark.parametrize("form", CANDIDATES)
def test_without_a_verdict_every_candidate_is_the_shipped_doubt(form, prior, sessions):
    unlabelled = [one.subset([]) for one in sessions[:1]]
    model = learn(form, prior, unlabelled, CONFIG.fit, "x")
    kinds, mine = model.probabilities(sessions[1].features, sessions[1].relative)
    their_kinds, theirs = prior.probabilities(sessions[1].features)
    assert kinds == their_kinds
    np.testing.assert_allclose(mine, theirs, atol=1e-12)


@pytest.mark.parametrize("form", CANDIDATES)
def test_what_comes_out_are_probabilities_and_a_file_gives_the_same(form, prior, sessions):
    model = replace(learn(form, prior, sessions[:4], CONFIG.fit, "x"), version="v", slope=0.9, level=0.1)
    again = from_bytes(to_bytes(model), "here")
    one = sessions[5]
    mine = model.probabilities(one.features, one.relative)[1]
    np.testing.assert_array_equal(mine, again.probabilities(one.features, one.relative)[1])
    assert (mine >= 0).all() and (mine.sum(axis=1) <= 1).all()
    assert again.shift["form"] == form if form != "weights" else "none"


@pytest.mark.parametrize("form", CANDIDATES)
def test_many_verdicts_rank_later_sessions_at_least_as_well(form, prior, sessions):
    model = learn(form, prior, sessions, CONFIG.fit, "x")
    later = [labelled_session(seed, size=0.7) for seed in range(20, 26)]
    mine = np.mean([session_scores(model, one)["auroc"] for one in later])
    theirs = np.mean([session_scores(prior, one)["auroc"] for one in later])
    assert mine > theirs - 0.005


def test_evidence_still_never_speaks_for_a_note(prior, sessions):
    assert (learn("linear", prior, sessions, CONFIG.fit, "x").weights >= 0).all()


def test_noise_rejects_teach_the_hits_and_not_the_playing(prior):
    takes, truth = made_session(31, takes=40)
    for name in truth:  # the producer rejects every odd take, each for a noise
        truth[name] = (2, "breath") if int(name[1:]) % 2 else None
    verdicts = verdicts_of(truth, np.random.default_rng(0), named=1.0)
    noisy = examples_of_session("n", session_features(takes, {}, {}), verdicts)
    model = learn("linear", prior, [noisy], CONFIG.fit, "x")
    kinds = list(model.kinds[1:])
    other = labelled_session(40)
    mine, theirs = model.probabilities(other.features, other.relative)[1], prior.probabilities(other.features)[1]
    noise = kinds.index("noise")
    clean = other.features.matrix[:, other.features.names.index("noise")] == 0
    played = np.delete(np.arange(len(kinds)), noise)
    assert mine[:, noise].mean() > theirs[:, noise].mean()
    assert mine[clean][:, played].sum(axis=1).mean() < 1.1 * theirs[clean][:, played].sum(axis=1).mean()


def test_length_rejects_teach_the_length_spot(prior):
    takes, truth = made_session(50, takes=60, size=0.5)
    lengths = {name: (fault if fault and fault[1] == "length" else None) for name, fault in truth.items()}
    verdicts = verdicts_of(lengths, np.random.default_rng(0), named=1.0)
    one = examples_of_session("l", session_features(takes, {}, {}), verdicts)
    model = learn("weights", prior, [one], CONFIG.fit, "x")
    kinds = list(model.kinds[1:])
    rows = np.concatenate([rows for word, rows in zip(one.labels, one.rows, strict=True) if word.kind == "length"])
    mine = model.probabilities(one.features, one.relative)[1][rows][:, kinds.index("length")]
    theirs = prior.probabilities(one.features)[1][rows][:, kinds.index("length")]
    assert mine.mean() > theirs.mean()


def test_calibration_finds_how_much_too_sure_a_model_is(prior, sessions):
    model = learn("weights", prior, sessions[:3], CONFIG.fit, "x")
    bold = replace(model, slope=3.0)  # few words leave the slope alone, many find it
    slope, _ = calibrate([(bold, one) for one in sessions[3:]] * 12, 0.05)
    own, _ = calibrate([(model, one) for one in sessions[3:]] * 12, 0.05)
    assert slope < 0.75 * own
