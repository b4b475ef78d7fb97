"""Relative vectors: what is common to a cohort goes, what is one note's own stays."""

import numpy as np

from triage.judge.relative_vectors import relative_vectors


def cohort(rng, n=40):
    pitch = np.repeat(np.arange(50, 50 + n // 4), 4).astype(float)
    take = np.array([f"T{i // 4}" for i in range(n)])
    drift = np.outer(pitch - 50, rng.normal(size=6)) * 0.05
    return pitch, take, drift + 0.1 * rng.normal(size=(n, 6)), np.full(n, "a")


def test_room_and_instrument_cancel_and_a_deviating_note_stays():
    rng = np.random.default_rng(1)
    pitch, take, vectors, labels = cohort(rng)
    vectors[17] += 3.0
    here = relative_vectors(vectors, labels, pitch, take)
    there = relative_vectors(vectors + 5 * rng.normal(size=6), labels, pitch, take)  # another room
    np.testing.assert_allclose(here, there, atol=1e-5)
    size = np.linalg.norm(here, axis=1)
    assert size.argmax() == 17 and size[17] > 5 * np.median(size)


def test_a_take_that_is_off_as_a_whole_stays_off():
    rng = np.random.default_rng(2)
    pitch, take, vectors, labels = cohort(rng)
    vectors[take == "T5"] += 2.0
    size = np.linalg.norm(relative_vectors(vectors, labels, pitch, take), axis=1)
    assert size[take == "T5"].min() > 2 * np.median(size[take != "T5"])


def test_alone_or_without_a_vector_there_is_no_difference():
    vectors = np.array([[1.0, 2.0], [np.nan, np.nan], [3.0, 3.0], [3.5, 3.0]])
    found = relative_vectors(vectors, np.array(["a", "b", "b", "b"]), np.array([50.0, 51, np.nan, 52]), np.arange(4))
    assert (found[:2] == 0).all() and np.isfinite(found).all()
