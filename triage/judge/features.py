"""Note features: one row of numbers a note, each of which rises with the evidence of a fault.

A table of notes and the noises found near them go in; deviations from the neighbours and a feature matrix come out.
Each measurement gives a column for each direction that can be a fault, in sigmas up to 10: what is further off is
off. What a listener notices gives two more: how many such steps a note is off, and how many beyond what is clear.
Where nothing can be compared the feature is 0.
"""

from dataclasses import dataclass

import numpy as np

from triage.domain.measurements import COMPARED
from triage.judge.cohorts import Expectation, expect
from triage.judge.note_table import NoteTable
from triage.judge.outliers import centre_distance, joint_deviation, local_knn

# What an encoder has activations of over time, each a kind of spot.
ACTIVATIONS = ("noise", "attack", "intonation", "steadiness", "level", "release")
ACTIVATION_FLOOR = 0.5  # log-odds: the least scale of an activation
SPREAD_NOTES = 40.0  # so many notes' own tail is believed as much as the normal one
NORMAL_95 = 1.96
MOST_SIGMAS = 10.0
ANOTHER_NOTE_CENTS = 75.0
# Also compared with what a listener notices, whatever the session's own spread.
AUDIBLE = {name: one.audible for name, one in COMPARED.items() if one.audible}
CLEAR_STEPS, MOST_STEPS = 1.5, 8.0  # of what a listener notices: from there on it is clear, and no clearer
NEIGHBOURS = 8
COHORT, WIDER = ("instrument", "articulation", "dynamic", "mic"), ("instrument", "articulation", "mic")
NOISE_FLOOR_DB = 3.0
CLEAR_DB = 8.0  # over what rings: from there on it is certainly audible, and only its level counts


@dataclass(frozen=True)
class NearbyNoise:
    """What was found around each note beside its playing; arrays of shape (note,)."""

    noise_over_db: np.ndarray  # strongest noise hit of its tail over what was ringing, 0 where none
    noise_under_db: np.ndarray  # how far that hit lies under the note, NaN where none


@dataclass(frozen=True)
class NoteFeatures:
    """Deviations by measurement, outlier scores, and the matrix that the doubt is computed from."""

    deviations: dict[str, Expectation]
    outlier: np.ndarray  # (note,) whole embedding
    names: tuple[str, ...]
    matrix: np.ndarray  # (note, name), >= 0


def deviations(table: NoteTable) -> dict[str, Expectation]:
    """Return what every note should have measured, for each of COMPARED; logarithmic ones in log units.

    Cohort: instrument, articulation, dynamic, microphone; wider: the same without the dynamic.
    """
    cohort, wider = table.cohort(*COHORT), table.cohort(*WIDER)
    found = {}
    for name, how in COMPARED.items():
        values = on_axis(name, table.values[name])
        if name == "cents":  # beyond that it is another note, and no measure of the tuning
            values = np.where(np.abs(values) > ANOTHER_NOTE_CENTS, np.nan, values)
        error = error_on_axis(name, table)
        found[name] = expect(values, table.pitch, cohort, wider, table.take, how.least_scale, error)
    return found


def on_axis(name: str, values: np.ndarray) -> np.ndarray:
    """Return a measurement on the axis it is compared on: its natural logarithm where ratios matter."""
    if not COMPARED[name].log:
        return values
    return np.log(np.where(values > 0, values, np.nan))


def error_on_axis(name: str, table: NoteTable) -> np.ndarray | None:
    """Return a measurement's standard errors on the axis it is compared on: relative ones where ratios matter."""
    error = table.errors.get(name)
    if error is None or not COMPARED[name].log:
        return error
    return error / np.where(table.values[name] > 0, table.values[name], np.nan)


def off_axis(name: str, values: np.ndarray) -> np.ndarray:
    """Return compared values in the measurement's own unit again."""
    return np.exp(values) if COMPARED[name].log else values


def note_features(table: NoteTable, noise_near: NearbyNoise) -> NoteFeatures:
    """Build the features of all notes of one session.

    Parameters
    ----------
    table : NoteTable
        All notes of the session.
    noise_near : NearbyNoise

    Returns
    -------
    NoteFeatures
    """
    found = deviations(table)
    cohort, wider = table.cohort(*COHORT), table.cohort(*WIDER)
    outlier = _score(local_knn(table.embedding, cohort, table.pitch, table.take, NEIGHBOURS))
    noise = expect(noise_near.noise_over_db, table.pitch, cohort, wider, table.take, NOISE_FLOOR_DB)
    columns: dict[str, np.ndarray] = {}
    for name, deviation in found.items():
        z = np.nan_to_num(at_usual_spread(deviation.z, wider))
        columns[f"{name}+"] = capped(z)
        if COMPARED[name].low:  # nobody minds a steadier note
            columns[f"{name}-"] = capped(-z)
    for name, step in AUDIBLE.items():
        steps = np.nan_to_num(np.abs(on_axis(name, table.values[name]) - found[name].expected) / step)
        columns[f"{name}|"] = np.log1p(steps)
        columns[f"{name}||"] = np.clip(steps, CLEAR_STEPS, MOST_STEPS) - CLEAR_STEPS
    joint = joint_deviation(np.column_stack([d.z for d in found.values()]))
    columns["joint"] = capped(joint)
    columns["outlier"] = capped(outlier)
    columns["far"] = capped(_score(centre_distance(table.embedding, cohort, table.pitch, table.take)))
    columns |= activation_columns(table)
    columns["semitones"] = np.nan_to_num(np.clip((np.abs(table.values["cents"]) - 50) / 40, 0, 1))
    columns["noise"] = noise_near.noise_over_db / 10
    columns["noise+"] = capped(noise.z)
    near = np.clip(1 - np.nan_to_num(noise_near.noise_under_db, nan=60.0) / 60, 0, 1)
    columns["noise_near"] = near * np.clip(noise_near.noise_over_db / CLEAR_DB, 0, 1)
    return NoteFeatures(found, outlier, tuple(columns), np.column_stack(list(columns.values())))


def kind_of_column(column: str) -> str | None:
    """Return the kind of fault that a column is about, None for those that are about any."""
    if column in ("noise", "noise+", "noise_near"):
        return "noise"
    if column == "semitones":
        return "wrong-note"
    if column.startswith("heard_"):
        return column.removeprefix("heard_")
    how = COMPARED.get(column.rstrip("+-|"))
    return how.kind if how else None


def capped(sigmas: np.ndarray) -> np.ndarray:
    """Return deviations in one direction, from 0 to MOST_SIGMAS; 0 where unknown [shape=(note,)]."""
    return np.clip(np.nan_to_num(sigmas), 0.0, MOST_SIGMAS)


def at_usual_spread(z: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return deviations on the scale of their own session: divided by the spread of its ordinary notes.

    z / max(1, q / 1.96)^(n / (n + 40)), q the 95th percentile of |z| of the group's n notes: a deviation that
    five notes in a hundred reach is ordinary there, and a few bad notes do not move it.

    Parameters
    ----------
    z : ndarray, shape (note,)
        NaN allowed and kept.
    group : ndarray, shape (note,)

    Returns
    -------
    ndarray, shape (note,)
    """
    scaled = z.copy()
    for label in np.unique(group):
        mine = group == label
        size = np.abs(z[mine])
        size = size[np.isfinite(size)]
        if len(size):
            spread = max(1.0, float(np.percentile(size, 95)) / NORMAL_95)
            scaled[mine] /= spread ** (len(size) / (len(size) + SPREAD_NOTES))
    return scaled


def activation_columns(table: NoteTable) -> dict[str, np.ndarray]:
    """Return how far the encoder's activations stand above those of the note's neighbours, in sigmas.

    The same activation stands higher for one instrument than for another, so its mean log-odds over the note are
    compared with the cohort as any measurement is. 0 where there was no encoder, or one without activations.
    """
    cohort, wider = table.cohort(*COHORT), table.cohort(*WIDER)
    columns = {}
    for kind in ACTIVATIONS:
        values = table.activation_mean.get(kind, np.full(len(table), np.nan))
        usual = expect(values, table.pitch, cohort, wider, table.take, ACTIVATION_FLOOR)
        columns[f"heard_{kind}"] = capped(at_usual_spread(usual.z, wider))
    return columns


def _score(sigmas: np.ndarray) -> np.ndarray:
    return np.maximum(np.nan_to_num(sigmas), 0.0)
