"""Choosing and comparing by sessions held out; a planted leak is caught."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import bootstrap

from tests.training.test_candidates import CONFIG, labelled_session
from training.candidates import learn
from training.selection import better, build, difference, folds, held_out_units, leaks, simplest, take_labels
from triage.judge.doubt import load_model


@pytest.fixture(scope="module")
def prior():
    return load_model()


@pytest.fixture(scope="module")
def sessions():
    return [labelled_session(seed, label_noise=0.05, takes=12) for seed in range(60, 65)]


def test_an_honest_build_leaks_nothing_and_a_planted_leak_is_caught(prior, sessions):
    def honest(every, inside):
        return learn("linear", prior, [every[i] for i in inside], CONFIG.fit, "x")

    def scaler_over_all(every, inside):
        model = honest(every, inside)
        spread = np.concatenate([one.relative for one in every]).std(axis=0)[: len(model.spread)]
        return replace(model, spread=spread)

    def trained_on_all(every, inside):
        return learn("linear", prior, every, CONFIG.fit, "x")

    assert not leaks(honest, sessions, [4])
    assert leaks(scaler_over_all, sessions, [4])
    assert leaks(trained_on_all, sessions, [4])


def test_every_session_is_held_out_once():
    held = np.concatenate(folds(11, 4))
    assert sorted(held) == list(range(11)) and len(folds(3, 4)) == 3


def test_a_session_alone_is_split_by_takes_and_never_by_notes(sessions):
    parts = held_out_units(sessions[:1], 3)
    takes = [{label.take for label in part.labels} for part in parts]
    assert len(parts) == 3 and not set.intersection(*takes)
    assert sum(len(part.labels) for part in parts) == len(sessions[0].labels)


def test_the_simplest_candidate_wins_unless_another_is_clearly_better():
    rng = np.random.default_rng(8)
    common = rng.normal(0.5, 0.2, 12)  # sessions differ more than candidates do
    near = {"weights": list(common), "linear": list(common - 0.002 + rng.normal(0, 0.01, 12))}
    clear = {"weights": list(common), "linear": list(common - 0.05 + rng.normal(0, 0.01, 12))}
    assert (simplest(near), simplest(clear)) == ("weights", "linear")
    assert simplest({"weights": [], "linear": []}) == "weights"


def test_a_build_says_what_it_chose_among(prior, sessions):
    chosen = build(sessions[:3], prior, CONFIG, "x")
    assert set(chosen.losses) == set(CONFIG.candidates) and chosen.form in chosen.losses
    assert chosen.model.slope > 0


def test_the_bootstrap_of_a_difference_agrees_with_scipy():
    rng = np.random.default_rng(4)
    new, old = rng.normal(0.9, 0.05, 20), rng.normal(0.85, 0.05, 20)
    found = difference(new, old, CONFIG.rule)
    other = bootstrap((new - old,), np.mean, confidence_level=0.95, n_resamples=20_000, method="percentile", rng=1)
    assert found.mean == pytest.approx((new - old).mean())
    assert (found.low, found.high) == pytest.approx(tuple(other.confidence_interval), abs=0.003)


def test_chance_is_called_better_no_more_often_than_the_rule_allows():
    rng, called = np.random.default_rng(6), 0
    rule = CONFIG.rule.model_copy(update={"resamples": 500})
    for _ in range(300):
        own = rng.normal(0, 0.05, (2, 12))
        called += better(difference(own[0], own[1], rule), rule)
    assert called / 300 < 0.065  # one side of 95 % with 12 sessions: nominal 2.5 %, the percentile interval is narrow


def test_few_sessions_are_not_enough_to_call_anything_better():
    few = difference([0.9, 0.95], [0.5, 0.5], CONFIG.rule)
    assert few.low > 0 and not better(few, CONFIG.rule)


def test_a_take_is_rejected_itself_or_on_a_note_of_it(sessions):
    labels = take_labels(sessions[0])
    words = {(label.take, label.rejected >= 0.5) for label in sessions[0].labels}
    assert labels == {take: (take, True) in words for take, _ in words}
