"""Spots: the segment to hear is where the encoder's features peaks, inside the note."""

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.tables import no_noise, note_table
from triage.judge.features import note_features
from triage.judge.spots import note_spots


def with_peak(kind, row, at_s, strength=8.0):
    """A made session in which the encoder is active for one kind in one note."""
    table = note_table()
    shown = np.random.default_rng(1).normal(0.0, 0.3, len(table))
    shown[row] += strength
    when_s = table.start_s + 0.1
    when_s[row] = at_s
    table = replace(table, end_s=table.start_s + 1.5, activation_mean={kind: shown}, activation_peak_s={kind: when_s})
    return table, note_features(table, no_noise(table))


def doubts(table, kinds, row, values):
    out = np.full((len(table), len(kinds)), 1e-4)
    out[row] = values
    return out


def test_a_wobble_is_located_where_its_activation_peaks():
    table, features = with_peak("steadiness", 14, at_s := float(note_table().start_s[14]) + 0.9)
    (spot,) = note_spots(table, features, ["steadiness"], doubts(table, ["steadiness"], 14, [0.8]))
    assert spot.start_s == pytest.approx(at_s - 0.25) and spot.end_s == pytest.approx(at_s + 0.35)
    assert table.start_s[14] <= spot.start_s < spot.end_s <= table.end_s[14]


def test_without_a_clear_activation_the_whole_note_is_the_spot():
    table, features = with_peak("steadiness", 14, float(note_table().start_s[14]) + 0.9, strength=0.0)
    (spot,) = note_spots(table, features, ["steadiness"], doubts(table, ["steadiness"], 14, [0.8]))
    assert (spot.start_s, spot.end_s) == (table.start_s[14], table.end_s[14])


def test_unlike_gives_the_place_in_the_note():
    table, features = with_peak("intonation", 20, at_s := float(note_table().start_s[20]) + 0.6)
    kinds = ["attack", "intonation", "level", "tone"]
    (spot,) = note_spots(table, features, kinds, doubts(table, kinds, 20, [0.02] * 4))
    assert spot.kind == "unlike" and "clearest 0.60 s into the note" in spot.why
    assert spot.start_s < at_s < spot.end_s < table.end_s[20]
