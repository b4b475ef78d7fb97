"""Evidence: it grows with the trouble, and only with its own."""

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.tables import no_noise, note_table
from triage.domain.measurements import COMPARED
from triage.judge.features import (
    ACTIVATIONS,
    MOST_SIGMAS,
    at_usual_spread,
    deviations,
    kind_of_column,
    note_features,
    off_axis,
    on_axis,
)


def column(features, name):
    return features.matrix[:, features.names.index(name)]


@pytest.mark.parametrize("name", ["cents", "length_s", "level_dbfs", "steadiness_db"])
def test_a_planted_deviation_stands_out_in_its_own_column(name):
    change = 25 * (0.03 if COMPARED[name].log else COMPARED[name].least_scale)
    table = note_table(planted=[(20, name, change)])
    features = note_features(table, no_noise(table))
    own = column(features, f"{name}+")
    assert own.argmax() == 20 and own[20] > 4
    assert f"{name}-" not in features.names or column(features, f"{name}-")[20] == 0
    assert np.delete(own, 20).max() < 5


def test_features_are_never_negative_never_nan_and_capped():
    table = note_table(planted=[(3, "level_dbfs", 1e6)])
    table.values["attack_s"][:] = np.nan
    features = note_features(table, no_noise(table))
    assert np.isfinite(features.matrix).all() and (features.matrix >= 0).all()
    assert column(features, "level_dbfs+")[3] == MOST_SIGMAS
    assert (column(features, "attack_s+") == 0).all()


def test_a_whole_semitone_is_another_note_and_not_intonation():
    table = note_table(planted=[(10, "cents", 100.0)])
    features = note_features(table, no_noise(table))
    assert column(features, "semitones")[10] == 1.0
    assert column(features, "cents+")[10] == 0.0


def test_a_noise_counts_against_its_note_only():
    table = note_table()
    trouble = no_noise(table)
    trouble.noise_over_db[7], trouble.noise_under_db[7] = 12.0, 25.0
    features = note_features(table, trouble)
    assert column(features, "noise")[7] == pytest.approx(1.2)
    assert np.delete(column(features, "noise"), 7).max() == 0


def test_features_do_not_depend_on_the_order_of_the_notes():
    table = note_table(planted=[(5, "cents", 30.0)])
    order = np.random.default_rng(1).permutation(len(table))
    moved = type(table)(
        *(
            {k: v[order] for k, v in value.items()} if isinstance(value, dict) else value[order]
            for value in vars(table).values()
        )
    )
    straight, shuffled = note_features(table, no_noise(table)), note_features(moved, no_noise(moved))
    np.testing.assert_allclose(shuffled.matrix, straight.matrix[order], atol=1e-6)


def test_the_usual_spread_divides_by_that_of_ordinary_notes():
    # known answer: 95th percentile of |z| twice the normal 1.96 halves z as the group grows
    z = np.random.default_rng(0).standard_normal(20_000) * 2
    assert np.percentile(np.abs(at_usual_spread(z, np.zeros(len(z)))), 95) == pytest.approx(1.96, rel=0.02)
    tame = np.random.default_rng(0).standard_normal(1000) * 0.5
    np.testing.assert_array_equal(at_usual_spread(tame, np.zeros(1000)), tame)


def test_the_usual_spread_is_not_moved_by_a_few_bad_notes():
    z = np.random.default_rng(0).standard_normal(200)
    z[:4] = 40.0
    assert at_usual_spread(z, np.zeros(200))[:4].min() > 30


@pytest.mark.parametrize("name", sorted(COMPARED))
def test_the_compared_axis_leads_back_to_the_unit(name):
    values = np.array([0.3, 1.0, 250.0])
    np.testing.assert_allclose(off_axis(name, on_axis(name, values)), values)


def test_a_note_is_never_compared_with_another_microphones():
    # design: the cohort is the same microphone; takes measured on the room microphone are 10 dB softer throughout
    table = note_table(takes=16)
    far = np.isin(table.take, ["T003", "T006", "T009", "T012"])
    table.mic[:] = np.where(far, "room", "close")
    table.values["level_dbfs"][far] -= 10.0
    apart = column(note_features(table, no_noise(table)), "level_dbfs-")[far].mean()
    table.mic[:] = "close"
    together = column(note_features(table, no_noise(table)), "level_dbfs-")[far].mean()
    assert apart < 1.0 < together  # sigmas: half of the good notes lie below their neighbours, by 0.8 in the mean


def test_activations_count_only_beyond_those_of_the_neighbours():
    table = note_table()
    shown = np.random.default_rng(2).normal(3.0, 0.3, len(table))  # all notes of this instrument look a little so
    shown[9] += 6.0
    changed = replace(table, activation_mean={"attack": shown})
    features = note_features(changed, no_noise(changed))
    own = column(features, "heard_attack")
    assert own.argmax() == 9 and own[9] > 4 and np.median(own) < 0.5
    assert not column(features, "heard_noise").any()
    assert kind_of_column("heard_attack") == "attack"


def test_an_encoder_without_activations_leaves_the_same_columns_empty():
    table = note_table()
    features = note_features(table, no_noise(table))
    empty = [name for name in features.names if name.startswith("heard_")]
    assert empty == [f"heard_{kind}" for kind in ACTIVATIONS]
    assert not any(column(features, name).any() for name in empty)


def test_a_note_measured_less_closely_is_judged_by_a_wider_scale_on_either_axis():
    planted = [(7, "level_dbfs", 6.0), (7, "length_s", 0.3)]
    table = note_table(planted=planted)
    error = np.full(len(table), 0.1)
    error[7] = 3.0
    errors = {
        "level_dbfs": error,
        "length_s": error * 10,
    }  # the second in seconds: a tenth of 100 s is 0.1 in log units
    plain, known = deviations(table), deviations(replace(table, errors=errors))
    assert plain["level_dbfs"].z[7] > 4 > 2.5 > known["level_dbfs"].z[7] > 0
    assert plain["length_s"].z[7] > 4 > 2.5 > known["length_s"].z[7] > 0
    assert np.array_equal(plain["centroid_hz"].z, known["centroid_hz"].z)
