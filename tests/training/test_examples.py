"""Examples: a session is heard once and kept; another encoder, or another room, changes only what it should."""

from dataclasses import replace

import numpy as np
import pytest

from training import examples
from training.examples import Ears, EarsConfig, Elsewhere, Heard, Order, ears, encoded, hear_all
from training.rooms import MicRecipe
from triage.analysis.encoding import BESIDE
from triage.config import shipped
from triage.listen.embed import FixedEmbedding
from triage.listen.encoder import Network, Shape, TrainedEncoder
from triage.ranking.note_table import note_table

ORDER = Order(3, ("horn",), 0.5, "all", 2, 0.4, {"level": 1.0})
ELSEWHERE = Elsewhere(
    rt60_s=0.8,
    critical_m=2.0,
    mics=tuple(
        MicRecipe(name=name, role="close", x_m=x_m, y_m=0.5, shelf_db=-3.0)
        for name, x_m in (("close", 1.5), ("main", 2.0), ("room", 5.0))
    ),
)


@pytest.fixture(scope="module")
def encoder() -> TrainedEncoder:
    return TrainedEncoder(Network(Shape(width=16, blocks=1, hidden=16, dimension=8)), "notes-test")


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("heard")


@pytest.fixture(scope="module")
def heard(stand_ins, cache, encoder) -> Heard:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(examples, "encoder_in_use", lambda: encoder)
        examples._encoder.cache_clear()
        yield hear_all(shipped("configs/evaluation.toml"), stand_ins, [ORDER], cache)[0]
    examples._encoder.cache_clear()


def test_notes_hold_the_simple_vector_and_the_encoders_and_one_of_them_counts(heard):
    assert heard.encoder == "notes-test"
    notes = [note for take in heard.takes for note in take.notes]
    assert {name for note in notes for name in note.embeddings} >= {FixedEmbedding.name, "notes-test"}
    table = note_table(heard.only().takes)
    assert table.embedding.shape == (len(notes), 8) and np.isfinite(table.embedding).all()
    assert set(table.heard) and all(np.isfinite(values).all() for values in table.heard.values())
    inside = (table.heard_s["attack"] >= table.start_s - 0.15) & (table.heard_s["attack"] <= table.end_s + 0.15)
    assert inside.all()


def test_one_encoder_alone_can_be_looked_at(heard):
    simple = heard.only(FixedEmbedding.name)
    table = note_table(simple.takes)
    assert table.embedding.shape[1] == FixedEmbedding.dimension and not table.heard
    assert not np.isfinite(note_table(heard.only("").takes).embedding).any()


def test_what_was_heard_is_kept_and_not_built_again(heard, stand_ins, cache, encoder, monkeypatch):
    monkeypatch.setattr(examples, "hear", lambda *_: pytest.fail("built again"))
    kept = examples._cached(shipped("configs/evaluation.toml"), stand_ins, ORDER, cache, Ears())
    again = encoded(kept, encoder)
    for first, second in zip(heard.takes, again.takes, strict=True):
        for one, two in zip(first.notes, second.notes, strict=True):
            name = "notes-test" + BESIDE
            np.testing.assert_array_equal(one.embeddings[name], two.embeddings[name])


def test_the_general_embedding_is_added_to_what_was_heard_before(heard, stand_ins, cache, monkeypatch):
    monkeypatch.setattr(examples, "hear", lambda *_: pytest.fail("heard again"))
    ones = lambda samples, rate_hz, notes: np.ones((len(notes), 4), np.float32)  # noqa: E731
    monkeypatch.setattr(examples.general_embedding, "general_vectors", ones)
    found = examples._cached(shipped("configs/evaluation.toml"), stand_ins, ORDER, cache, Ears(general=True))
    notes = [note for take in found.takes for note in take.notes]
    assert len(notes) == sum(len(take.notes) for take in heard.takes)
    assert all(note.embeddings[examples.general_embedding.NAME].tolist() == [1.0] * 4 for note in notes)


def test_the_same_music_is_played_elsewhere(heard, stand_ins):
    there = examples.hear(shipped("configs/evaluation.toml"), stand_ins, replace(ORDER, elsewhere=ELSEWHERE))
    assert there.truth.keys() == heard.truth.keys()
    for name, truth in heard.truth.items():
        other = there.truth[name]
        assert (truth["fault"] or {}).get("size") == (other["fault"] or {}).get("size")
        assert [note["pitch"] for note in truth["notes"]] == [note["pitch"] for note in other["notes"]]
        apart = [b["onset_s"] - a["onset_s"] for a, b in zip(truth["notes"], other["notes"], strict=True)]
        assert np.ptp(apart) < 1e-6  # only the way to the microphone is longer
        shared = min(heard.frames[name].shape[1], there.frames[name].shape[1])
        assert np.abs(heard.frames[name][:, :shared] - there.frames[name][:, :shared]).mean() > 1.0


def test_instruments_are_heard_by_the_encoder_that_has_not_met_them(tmp_path):
    by = ears(tmp_path, EarsConfig(encoders={"tuba": "encoder-a.safetensors"}))
    assert by.encoders == {"tuba": str(tmp_path / "encoder-a.safetensors")}
    assert ears(None, EarsConfig(encoders={"tuba": "encoder-a.safetensors"})) == Ears()
