"""Kinds of noise: the shipped model on made noises that it was not trained on, and its file."""

import numpy as np
import pytest

from tests.listen.sounds import RATE_HZ, floor, span_of, take, tone
from tests.listen.test_hits import laid, noise
from triage.config import shipped
from triage.errors import AudioError
from triage.listen import kinds
from triage.listen.hits import find_hits, hear_mic, joined_features, told
from triage.listen.kinds import FEATURES, KINDS, MUSIC, NoiseModel, load_noise_model
from triage.listen.logmel import LogMel
from triage.listen.notes import find_notes

NOTES = [(start_s, tone(220.0, 0.8)) for start_s in (0.6, 2.5, 4.4)]


def heard(sound, at_s=1.9):
    wave = laid(take(NOTES, 6.0), at_s, sound)
    transform = LogMel(RATE_HZ)
    frames = transform(wave[None])[0]
    notes, _ = find_notes(frames, span_of(wave), RATE_HZ)
    return find_hits(frames, notes, "close", transform.band_hz(), load_noise_model())


def test_the_shipped_model_knows_every_kind_and_music():
    assert set(load_noise_model().kinds) == {*KINDS, MUSIC}


def ring(hz, decay_s, length_s=0.3):
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / decay_s)


@pytest.mark.parametrize("sound, allowed", [
    (0.01 * ring(120.0, 0.05), {"knock", "rumble"}),
    (noise(5000, 16_000, 0.8, -50.0), {"hiss", "paper", "breath"}),
    (0.01 * ring(5000.0, 0.001, 0.02), {"click", "mechanism"}),
])  # fmt: skip
def test_plain_noises_get_a_fitting_kind(sound, allowed):
    assert max(heard(sound), key=lambda hit: hit.level_dbfs).kind in allowed


def test_probabilities_of_noise_and_music_add_up_to_one():
    model = load_noise_model()
    rows = np.random.default_rng(0).normal(size=(5, len(FEATURES))).astype(np.float32)
    rows[0] = np.nan
    names, found = model.probabilities(rows)
    assert MUSIC not in names and found.shape == (5, len(KINDS))
    assert (found >= 0).all() and (found.sum(axis=1) <= 1 + 1e-6).all()


def test_what_another_microphone_shows_is_in_the_features():
    transform = LogMel(RATE_HZ)
    wave = laid(take(NOTES, 6.0), 1.9, noise(800, 6000, 0.2, -50.0))
    frames, quiet = transform(wave[None])[0], transform(take(NOTES, 6.0, seed=5)[None])[0]
    notes, _ = find_notes(frames, span_of(wave), RATE_HZ)
    own, same, other = (hear_mic(f, notes, mic, transform.band_hz()) for f, mic in
                        ((frames, "close"), (frames, "main"), (quiet, "room")))  # fmt: skip
    (candidate,) = own.candidates
    alone = joined_features(candidate, own, [own])
    both = joined_features(candidate, own, [own, same, other])
    assert np.isnan(alone[-3:]).all()
    assert both[-3] > 10.0 and both[-1] == pytest.approx(0.5)
    assert [hit.mic for hit in told([own, same], load_noise_model())] == ["close", "main"]


def test_no_candidate_no_hit():
    assert told([], load_noise_model()) == []


def test_a_strange_file_is_refused_in_one_line(tmp_path, monkeypatch):
    (tmp_path / "strange.safetensors").write_bytes(b"not a model")
    monkeypatch.setattr(kinds, "shipped", lambda name: tmp_path / "strange.safetensors")
    load_noise_model.cache_clear()
    with pytest.raises(AudioError, match="not a model of noises"):
        load_noise_model()
    load_noise_model.cache_clear()
    assert shipped(kinds.SHIPPED).exists()


def test_the_vote_of_the_networks_is_their_mean():
    # computed by hand: two networks that ignore their input, one sure of music and one of a knock
    arrays = {name: np.zeros(len(FEATURES), np.float32) for name in ("low", "high", "mean")}
    arrays |= {"scale": np.ones(len(FEATURES), np.float32), "w1": np.zeros((2, len(FEATURES), 1), np.float32),
               "b1": np.zeros((2, 1), np.float32), "w2": np.zeros((2, 1, 2), np.float32),
               "b2": np.array([[50.0, 0.0], [0.0, 50.0]], np.float32)}  # fmt: skip
    names, found = NoiseModel("by-hand", ("knock", MUSIC), arrays).probabilities(np.zeros((1, len(FEATURES))))
    assert names == ["knock"]
    assert found[0, 0] == pytest.approx(0.5)
    assert floor(0.1).size
