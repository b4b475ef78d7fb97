"""Built sessions: analysed once and cached; another encoder, or another room, changes only what it should."""

from dataclasses import replace

import numpy as np
import pytest

from training import analysed_sessions
from training.analysed_sessions import (
    AnalysedSession,
    Elsewhere,
    Networks,
    NetworksConfig,
    SessionSpec,
    analyse_all,
    encoded,
    networks_in,
)
from training.rooms import MicRecipe
from triage.analysis.encoding import BESIDE
from triage.config import shipped
from triage.listen.embed import FixedEmbedding
from triage.listen.encoder import EncoderShape, Network, TrainedEncoder
from triage.ranking.note_table import note_table

SPEC = SessionSpec(3, ("horn",), 0.5, "all", 2, 0.4, {"level": 1.0})
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
    return TrainedEncoder(Network(EncoderShape(width=16, blocks=1, hidden=16, dimension=8)), "notes-test")


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def session(stand_ins, cache, encoder) -> AnalysedSession:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysed_sessions, "encoder_in_use", lambda: encoder)
        analysed_sessions._encoder.cache_clear()
        yield analyse_all(shipped("configs/evaluation.toml"), stand_ins, [SPEC], cache)[0]
    analysed_sessions._encoder.cache_clear()


def test_notes_hold_the_simple_vector_and_the_encoders_and_one_of_them_counts(session):
    assert session.encoder == "notes-test"
    notes = [note for take in session.takes for note in take.notes]
    assert {name for note in notes for name in note.embeddings} >= {FixedEmbedding.name, "notes-test"}
    table = note_table(session.only().takes)
    assert table.embedding.shape == (len(notes), 8) and np.isfinite(table.embedding).all()
    assert set(table.activation_peak) and all(np.isfinite(values).all() for values in table.activation_peak.values())
    inside = (table.activation_peak_s["attack"] >= table.start_s - 0.15) & (
        table.activation_peak_s["attack"] <= table.end_s + 0.15
    )
    assert inside.all()


def test_one_encoder_alone_can_be_looked_at(session):
    simple = session.only(FixedEmbedding.name)
    table = note_table(simple.takes)
    assert table.embedding.shape[1] == FixedEmbedding.dimension and not table.activation_peak
    assert not np.isfinite(note_table(session.only("").takes).embedding).any()


def test_an_analysis_is_cached_and_not_built_again(session, stand_ins, cache, encoder, monkeypatch):
    monkeypatch.setattr(analysed_sessions, "analyse", lambda *_: pytest.fail("built again"))
    kept = analysed_sessions._cached(shipped("configs/evaluation.toml"), stand_ins, SPEC, cache, Networks())
    again = encoded(kept, encoder)
    for first, second in zip(session.takes, again.takes, strict=True):
        for one, two in zip(first.notes, second.notes, strict=True):
            name = "notes-test" + BESIDE
            np.testing.assert_array_equal(one.embeddings[name], two.embeddings[name])


def test_the_general_embedding_is_added_to_a_cached_analysis(session, stand_ins, cache, monkeypatch):
    monkeypatch.setattr(analysed_sessions, "analyse", lambda *_: pytest.fail("session again"))
    ones = lambda samples, rate_hz, notes: np.ones((len(notes), 4), np.float32)  # noqa: E731
    monkeypatch.setattr(analysed_sessions.general_embedding, "general_vectors", ones)
    found = analysed_sessions._cached(
        shipped("configs/evaluation.toml"), stand_ins, SPEC, cache, Networks(general=True)
    )
    notes = [note for take in found.takes for note in take.notes]
    assert len(notes) == sum(len(take.notes) for take in session.takes)
    assert all(note.embeddings[analysed_sessions.general_embedding.NAME].tolist() == [1.0] * 4 for note in notes)


def test_the_same_music_is_played_elsewhere(session, stand_ins):
    there = analysed_sessions.analyse(
        shipped("configs/evaluation.toml"), stand_ins, replace(SPEC, elsewhere=ELSEWHERE)
    )
    assert there.truth.keys() == session.truth.keys()
    for name, truth in session.truth.items():
        other = there.truth[name]
        assert (truth["fault"] or {}).get("size") == (other["fault"] or {}).get("size")
        assert [note["pitch"] for note in truth["notes"]] == [note["pitch"] for note in other["notes"]]
        apart = [b["onset_s"] - a["onset_s"] for a, b in zip(truth["notes"], other["notes"], strict=True)]
        assert np.ptp(apart) < 1e-6  # only the way to the microphone is longer
        shared = min(session.frames[name].shape[1], there.frames[name].shape[1])
        assert np.abs(session.frames[name][:, :shared] - there.frames[name][:, :shared]).mean() > 1.0


def test_each_instrument_is_encoded_by_the_encoder_not_trained_on_it(tmp_path):
    by = networks_in(tmp_path, NetworksConfig(encoders={"tuba": "encoder-a.safetensors"}))
    assert by.encoders == {"tuba": str(tmp_path / "encoder-a.safetensors")}
    assert networks_in(None, NetworksConfig(encoders={"tuba": "encoder-a.safetensors"})) == Networks()


def test_a_saved_session_is_read_back_whole(session, tmp_path):
    session.save(tmp_path / "one.npz")
    again = AnalysedSession.load(tmp_path / "one.npz")
    assert (again.truth, again.a4_hz, again.encoder) == (session.truth, session.a4_hz, session.encoder)
    for name, frames in session.frames.items():
        np.testing.assert_array_equal(again.frames[name], frames)
    for first, second in zip(session.takes, again.takes, strict=True):
        assert replace(first, notes=()) == replace(second, notes=())
        for one, two in zip(first.notes, second.notes, strict=True):
            np.testing.assert_equal(two.measurements, dict(one.measurements))  # NaN included
            assert replace(one, measurements={}, embeddings={}) == replace(two, measurements={}, embeddings={})
            assert one.embeddings.keys() == two.embeddings.keys()
            for key, vector in one.embeddings.items():
                assert vector.dtype == two.embeddings[key].dtype
                np.testing.assert_array_equal(two.embeddings[key], vector)
