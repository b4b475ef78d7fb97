"""Activations of notes: what is put into the steps of a take comes out with its note, at its time."""

import numpy as np
import pytest

from triage.domain.errors import AudioError
from triage.listen.note_activations import note_activations
from triage.listen.notes import NoteSegment

KINDS, PLAYED = ("noise", "attack", "release"), ("attack", "release")
TIMES_S = np.arange(100) * 0.04
NOTES = [NoteSegment(0.5, 1.0, 1.6, -10.0), NoteSegment(2.0, 2.6, 3.0, -10.0)]


def seen(**at_s):
    """Activations of 0.01 everywhere, and of 0.9 at the named times."""
    activations = np.full((3, 100), 0.01)
    for kind, when_s in at_s.items():
        activations[KINDS.index(kind), np.abs(TIMES_S - when_s).argmin()] = 0.9
    return note_activations(activations, TIMES_S, NOTES, KINDS, PLAYED)


def test_a_moment_is_given_to_its_note_with_its_time():
    found = seen(attack=2.04)
    # computed: ln(0.9 / 0.1) = 2.197, ln(0.01 / 0.99) = -4.595
    assert found[1, 1] == pytest.approx([2.197, found[1, 1, 1], 2.04], abs=1e-3)
    assert found[0, 1, 0] == pytest.approx(-4.595, abs=1e-3)
    steps = int(((TIMES_S >= 1.92) & (TIMES_S <= 2.72)).sum())
    assert found[1, 1, 1] == pytest.approx(-4.595 + (2.197 + 4.595) / steps, abs=1e-3)


def test_a_noise_in_the_gap_belongs_to_the_note_before_and_a_lead_in_to_the_note_after():
    assert seen(noise=1.7)[:, 0, 0] == pytest.approx([2.197, -4.595], abs=1e-3)
    assert seen(noise=1.9)[:, 0, 0] == pytest.approx([-4.595, 2.197], abs=1e-3)


def test_the_release_is_looked_for_at_the_end_of_a_note():
    assert seen(release=1.2)[0, 2, 0] > 2 and seen(release=0.56)[0, 2, 0] < 0


def test_certainty_is_finite_and_a_note_past_the_last_step_has_the_last_one():
    activations = np.array([[0.0, 1.0]])
    late = NoteSegment(9.0, 9.5, 10.0, 0.0)
    found = note_activations(activations, TIMES_S[:2], [NOTES[0], late], ("noise",), ())
    assert found[1, 0].tolist() == [12.0, 12.0, pytest.approx(0.04)]
    assert np.isfinite(found).all()
    assert note_activations(activations, TIMES_S[:2], [], ("noise",), ()).shape == (0, 1, 3)


def test_activations_of_another_shape_are_refused():
    with pytest.raises(AudioError, match=r"\(3, 99\), expected \(kind, step\) = \(3, 100\)"):
        note_activations(np.zeros((3, 99)), TIMES_S, NOTES, KINDS, PLAYED)
