"""Doubt: the shipped model, how it is kept, and what a strange file does."""

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.tables import no_noise, note_table
from triage.domain.errors import JudgeError
from triage.judge.doubt import any_of, doubt_of_take, doubts_of_takes, load_model, save_model
from triage.judge.features import note_features
from triage.judge.spots import LEAST_DOUBT, note_spots


@pytest.fixture(scope="module")
def model():
    return load_model()


def judged(model, planted):
    table = note_table(planted=planted)
    features = note_features(table, no_noise(table))
    kinds, doubts = model.probabilities(features)
    return table, features, kinds, doubts


def on_row(spot, table, row):
    return (spot.take, spot.note) == (table.take[row], table.number[row])


@pytest.mark.parametrize(
    ("kind", "planted"),
    [
        ("intonation", [(20, "cents", 35.0)]),
        ("level", [(20, "level_dbfs", 7.0), (20, "loudness_lufs", 7.0)]),
        ("length", [(20, "length_s", -0.69), (20, "body_s", -0.69)]),  # half as long: ln 0.5
        ("steadiness", [(20, "steadiness_db", 8.0)]),  # 4 dB up and down
        ("wrong-note", [(20, "cents", 100.0)]),
    ],
)
def test_the_shipped_model_names_a_gross_fault(model, kind, planted):
    table, features, kinds, doubts = judged(model, planted)
    total = doubts.sum(axis=1)
    assert total.argmax() == 20
    assert kinds[int(doubts[20].argmax())] == kind
    spots = [spot for spot in note_spots(table, features, kinds, doubts) if on_row(spot, table, 20)]
    assert spots[0].kind == kind
    assert spots[0].why


def test_doubts_are_probabilities_and_most_notes_are_fine(model):
    _, _, _, doubts = judged(model, [])
    assert (doubts >= 0).all() and (doubts.sum(axis=1) <= 1 + 1e-9).all()
    assert np.median(doubts.sum(axis=1)) < 0.1


def test_a_spot_gives_found_and_expected_in_the_unit(model):
    table, features, kinds, doubts = judged(model, [(20, "length_s", -0.69), (20, "body_s", -0.69)])
    spot = next(s for s in note_spots(table, features, kinds, doubts) if on_row(s, table, 20))
    assert spot.unit == "s"
    assert spot.found == pytest.approx(50, rel=0.1) and spot.expected == pytest.approx(100, rel=0.1)
    assert "shorter" in spot.why


def test_a_model_is_the_same_after_writing_and_reading(model, tmp_path):
    save_model(model, tmp_path / "kept.skops")
    again = load_model(tmp_path / "kept.skops")
    _, features, _, doubts = judged(model, [(20, "cents", 35.0)])
    np.testing.assert_array_equal(again.probabilities(features)[1], doubts)
    assert again.certain == model.certain and again.version == model.version


def test_other_features_than_the_model_was_fitted_on_are_refused(model):
    table = note_table()
    features = note_features(table, no_noise(table))
    other = replace(features, names=features.names[:-1], matrix=features.matrix[:, :-1])
    with pytest.raises(JudgeError, match="other features"):
        model.probabilities(other)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 not a model", b"\x80\x04K\x01."])
def test_a_file_that_is_no_model_is_one_line(tmp_path, content):
    (tmp_path / "strange.skops").write_bytes(content)
    with pytest.raises(JudgeError, match=r"strange\.skops: not a doubt model"):
        load_model(tmp_path / "strange.skops")


def test_any_of_several_doubts():
    # known answer: 1 - 0.5 * 0.5
    assert any_of([0.5, 0.5]) == 0.75
    assert any_of([]) == 0.0
    assert any_of([0.2, 1.0]) == 1.0


def test_many_ordinary_notes_make_no_doubtful_take_and_a_take_is_as_doubtful_as_its_worst_note():
    assert doubt_of_take([0.02] * 40) == pytest.approx(0.02)
    assert doubt_of_take([0.02] * 40 + [0.6]) == pytest.approx(0.6)
    assert doubt_of_take([0.5, 0.5]) == pytest.approx(1 - (0.5 + LEAST_DOUBT) ** 2)  # both count
    assert doubt_of_take([0.02, 0.2], [0.5]) == pytest.approx(1 - 0.8 * 0.5)  # a finding counts in full
    assert doubt_of_take([], [0.4]) == pytest.approx(0.4)
    assert doubt_of_take([]) == 0.0
    by_take = doubts_of_takes(np.array([0.02, 0.5, 0.3, 0.5]), np.array(["b", "a", "b", "a"]))
    assert by_take == {"a": doubt_of_take([0.5, 0.5]), "b": doubt_of_take([0.02, 0.3])}
    assert doubts_of_takes(np.zeros(0), np.zeros(0, str)) == {}
