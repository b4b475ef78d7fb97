"""The general embedding of the ablation: where its package is not installed, one line says what to do."""

import numpy as np
import pytest

from training import general_embedding
from training.general_embedding import DIMENSION, available, general_vectors
from triage.domain.errors import ConfigError
from triage.listen.notes import NoteSegment

RATE_HZ = 48_000
NOTES = [NoteSegment(0.1, 0.8, 1.0, 0.0), NoteSegment(1.2, 1.9, 2.0, 0.0)]


def tones():
    time_s = np.arange(int(2.2 * RATE_HZ)) / RATE_HZ
    return 0.2 * np.where(time_s < 1.1, np.sin(2 * np.pi * 220 * time_s), np.sign(np.sin(2 * np.pi * 330 * time_s)))


def test_a_missing_package_is_said_in_one_line(monkeypatch):
    monkeypatch.setattr(general_embedding, "available", lambda: False)
    general_embedding._network.cache_clear()
    with pytest.raises(ConfigError, match="pip install --no-deps"):
        general_vectors(tones(), RATE_HZ, NOTES)


def test_no_note_needs_no_package():
    assert general_vectors(tones(), RATE_HZ, []).shape == (0, DIMENSION)


@pytest.mark.skipif(not available(), reason="the package is not installed")
def test_vectors_tell_tones_apart_and_leave_level_out():
    found = general_vectors(tones(), RATE_HZ, NOTES)
    assert found.shape == (2, DIMENSION) and np.isfinite(found).all()
    np.testing.assert_allclose(general_vectors(0.1 * tones(), RATE_HZ, NOTES), found, atol=1e-3)
    assert np.linalg.norm(found[0] - found[1]) > 0.2 * np.linalg.norm(found[0])
