"""The noise network: what it sees, that microphones are read together, and its file."""

import json
from dataclasses import replace

import numpy as np
import pytest
import torch

from tests.listen.sounds import RATE_HZ, span_of, take, tone
from tests.listen.test_hits import floor, laid, noise
from triage.config import shipped
from triage.domain.errors import AudioError
from triage.domain.kinds import NOISES
from triage.listen import noise_network
from triage.listen.hits import analyse_mic, noise_events
from triage.listen.logmel import LogMel
from triage.listen.noise_network import (
    SHIPPED,
    NoiseDetector,
    NoiseNetwork,
    NoiseNetworkShape,
    load_detector,
    marked,
    save_detector,
    seen,
)
from triage.listen.notes import find_notes

NOTES = [(start_s, tone(220.0, 0.8)) for start_s in (0.6, 2.5, 4.4)]
SMALL = NoiseNetworkShape(width=16, blocks=2, told=8, joint=16)


def detected_in(*waves):
    transform = LogMel(RATE_HZ)
    frames = [transform(wave[None])[0] for wave in waves]
    notes, _ = find_notes(frames[0], span_of(waves[0]), RATE_HZ)
    mics = [analyse_mic(own, notes, f"mic{k}", load_detector()) for k, own in enumerate(frames)]
    return noise_events(mics, notes, load_detector())


def ring(hz, decay_s, length_s=0.3):
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / decay_s)


@pytest.mark.parametrize(
    "sound, allowed",
    [
        (0.01 * ring(120.0, 0.05), {"knock", "rumble", "hum"}),
        (noise(5000, 16_000, 0.8, -50.0), {"hiss", "paper", "breath"}),
        (0.01 * ring(5000.0, 0.001, 0.02), {"click", "mechanism"}),
    ],
)
def test_plain_noises_get_a_fitting_kind(sound, allowed):
    (hit,) = detected_in(laid(take(NOTES, 6.0), 1.9, sound))
    assert hit.kind in allowed


def test_a_noise_that_one_microphone_hears_better_is_loudest_there():
    sound = noise(800, 6000, 0.2, -50.0)
    near, far = take(NOTES, 6.0), take(NOTES, 6.0, seed=5)
    (hit,) = detected_in(laid(far, 1.92, 0.2 * sound), laid(near, 1.9, sound))
    assert next(iter(hit.mics)) == "mic1"
    assert hit.exposed == max(mic.exposed for mic in hit.mics.values())


def test_the_order_of_the_microphones_changes_nothing():
    random = torch.Generator().manual_seed(1)
    messages = torch.rand(1, 3, 40, SMALL.told, generator=random)
    network = NoiseNetwork(SMALL).eval()
    with torch.no_grad():
        first, second = network.joint(messages), network.joint(messages[:, [2, 0, 1]])
    assert torch.allclose(first.any, second.any, atol=1e-5)
    assert torch.allclose(first.audible[:, [2, 0, 1]], second.audible, atol=1e-5)


def test_gain_is_not_seen():
    frames = torch.rand(2, 80, 300) * 60 - 90
    assert torch.allclose(seen(frames), seen(frames - 17.0), atol=1e-4)


def test_notes_are_marked_where_they_start_and_sound():
    starts, sounds = marked(torch.tensor([1.005]), torch.tensor([1.505]), 300)
    assert torch.nonzero(starts)[[0, -1], 0].tolist() == [98, 105]  # -30 to +50 ms
    assert torch.nonzero(sounds)[[0, -1], 0].tolist() == [101, 150]


def test_a_short_track_is_silent_after_its_end():
    detector = NoiseDetector(NoiseNetwork(SMALL), "small")
    whole = np.random.default_rng(0).uniform(-1, 1, (60, SMALL.told)).astype(np.float16)
    found = detector.joint([whole, whole[:20]])
    assert found.any.shape == (60,) and found.audible.shape == (2, 60) and found.kinds.shape == (len(NOISES), 60)
    assert torch.allclose(found.kinds.sum(dim=0), torch.ones(60), atol=1e-5)


def test_frames_of_another_shape_are_refused():
    with pytest.raises(AudioError, match=r"shape \(79, 10\), expected \(80, frame\)"):
        load_detector().own(np.zeros((79, 10), np.float32), [])


def test_weights_come_back_as_they_were_saved(tmp_path):
    network = NoiseNetwork(SMALL)
    name = save_detector(network, tmp_path / "own.safetensors", {"made_by": "a test"})
    again = load_detector(tmp_path / "own.safetensors")
    frames = np.random.default_rng(2).uniform(-90, -30, (80, 200)).astype(np.float32)
    assert again.name == name
    assert np.array_equal(again.own(frames, []), NoiseDetector(network, "same").own(frames, []))


def test_a_strange_or_changed_file_is_refused_in_one_line(tmp_path):
    path = tmp_path / "strange.safetensors"
    path.write_bytes(b"not a model")
    path.with_suffix(".json").write_text(json.dumps({"sha256": "0" * 64}))
    with pytest.raises(AudioError, match=r"not the weights that strange.json was written for"):
        load_detector(path)
    path.with_suffix(".json").write_text("{")
    with pytest.raises(AudioError, match="not a noise network with its card"):
        load_detector(path)


def test_the_shipped_card_is_of_the_shipped_weights():
    card = json.loads(shipped(SHIPPED).with_suffix(".json").read_text(encoding="utf-8"))
    assert card["name"] == load_detector().name and card["kinds"] == list(NOISES)
    assert card["bytes"] < 4_000_000
    assert replace(NoiseNetworkShape(), **card["network"]) == NoiseNetworkShape(**card["network"])
    assert floor(0.1).size and noise_network.NAME in card["name"]
