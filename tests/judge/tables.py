"""Made tables of notes with known deviations, for the tests of judging."""

import numpy as np

from triage.domain.measurements import COMPARED
from triage.judge.features import NearbyNoise
from triage.judge.note_table import NoteTable

USUAL = {name: 100.0 if how.log else 0.0 for name, how in COMPARED.items()}
SPREAD = {name: 0.03 if how.log else 2.0 * how.least_scale for name, how in COMPARED.items()}


def note_table(takes=12, pitches=3, repetitions=2, seed=0, planted=()):
    """A session of one cohort; planted: (row, measurement, change on the compared axis)."""
    rng = np.random.default_rng(seed)
    take = np.repeat([f"T{i:03d}" for i in range(takes)], pitches * repetitions)
    first = np.repeat(np.arange(takes), pitches * repetitions) % 6
    pitch = 48.0 + np.tile(np.repeat(np.arange(pitches), repetitions), takes) + first
    count = len(take)
    number = np.tile(np.arange(1, pitches * repetitions + 1), takes)
    values = {}
    for name, how in COMPARED.items():
        axis = rng.normal(0.0, SPREAD[name], count)
        for row, measurement, change in planted:
            if measurement == name:
                axis[row] += change
        values[name] = USUAL[name] * np.exp(axis) if how.log else USUAL[name] + axis
    start_s = number * 2.0
    words = np.full(count, "horn"), np.full(count, "staccato"), np.full(count, "ff"), np.full(count, "close")
    embedding = rng.normal(0.0, 1.0, (count, 12))
    return NoteTable(take, number, *words, pitch, start_s, start_s + 0.5, start_s + 1.0, values, embedding)


def no_noise(table):
    return NearbyNoise(np.zeros(len(table)), np.full(len(table), np.nan))
