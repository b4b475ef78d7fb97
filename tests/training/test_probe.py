"""The linear probe: few verdicts, half of them rejects; a direction taught on one session is found in the next."""

import numpy as np
import pytest

from tests.training.test_calibrate import session as calibration_session
from training.probe import Probed, probe_auroc, probed, verdict_sample
from triage.judge.doubt import FINE


def session(seed, shift):
    rng = np.random.default_rng(seed)
    rejected = np.arange(150) < 15
    vectors = rng.normal(size=(150, 24))
    vectors[rejected, 3] += shift
    return Probed(vectors, rejected)


def test_verdicts_are_half_rejects_and_no_note_gets_two():
    rows = verdict_sample(np.arange(100) < 40, 30, np.random.default_rng(0))
    assert len(set(rows)) == 30 and (rows < 40).sum() == 15
    few = verdict_sample(np.arange(100) < 4, 30, np.random.default_rng(0))
    assert len(set(few)) == 30 and (few < 4).sum() == 4


def test_a_direction_is_learnt_from_thirty_verdicts():
    assert probe_auroc(session(1, 5.0), session(2, 5.0), 30, seed=3) > 0.9


def test_without_a_difference_nothing_is_learnt():
    scores = [probe_auroc(session(i, 0.0), session(100 + i, 0.0), 30, seed=i) for i in range(20)]
    assert np.mean(scores) == pytest.approx(0.5, abs=0.06)


def test_either_probe_sees_the_notes_that_a_person_could_judge():
    examples = calibration_session(4)
    found = probed(examples)
    assert set(found) == {"vectors", "distances and activations"}
    for one in found.values():
        assert len(one.vectors) == examples.usable.sum() and np.isfinite(one.vectors).all()
        assert one.rejected.tolist() == (examples.kind != FINE).tolist()
