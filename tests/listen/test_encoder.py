import json
import pickle

import numpy as np
import pytest
import safetensors.numpy
import torch

from training.noises import knock
from training.synth import VOICES, render_note
from triage.config import shipped
from triage.domain.errors import AudioError, JudgeError
from triage.listen.encoder import (
    ACTIVATION_KINDS,
    DIRECTIONS,
    SEGMENTS,
    SHIPPED,
    SIZES,
    STEP_S,
    EncoderShape,
    Network,
    TrainedEncoder,
    load_encoder,
    relative,
    save_encoder,
    segments,
    step_times,
    take_vector,
)
from triage.listen.logmel import HOP_S, N_MELS, LogMel
from triage.listen.notes import NoteSegment

RATE_HZ = 48_000
SMALL = EncoderShape(width=16, blocks=2, hidden=16, dimension=8)
NOTES = [NoteSegment(0.5, 1.0, 1.4, -20.0), NoteSegment(1.9, 2.6, 3.0, -22.0)]


@pytest.fixture(scope="module")
def small() -> TrainedEncoder:
    torch.manual_seed(3)
    network = Network(SMALL)
    for block in network.blocks:  # as if trained: an untrained block does next to nothing
        torch.nn.init.normal_(block.narrow.weight, std=0.3)
    return TrainedEncoder(network, "notes-test")


def take(seconds: float, seed: int = 0) -> np.ndarray:
    """Frames of a take: notes of 30 dB over a noisy floor."""
    rng = np.random.default_rng(seed)
    frames = rng.normal(-80, 4, (80, round(seconds / HOP_S)))
    frames[20:40, 50:100] += 35
    frames[25:45, 190:260] += 33
    return frames.astype(np.float32)


def test_the_shipped_size_has_one_to_three_million_parameters():
    assert 1e6 < sum(p.numel() for p in Network(EncoderShape()).parameters()) < 3e6


def test_a_note_a_vector_and_a_step_every_40_ms(small):
    vectors, activations = small.encode(take(3.21), NOTES)
    assert vectors.shape == (2, 8) and vectors.dtype == np.float32
    assert activations.shape == (len(ACTIVATION_KINDS), 81)  # ceil(321 frames / 4)
    assert ((activations > 0) & (activations < 1)).all()
    assert np.allclose(np.diff(step_times(81)), STEP_S) and step_times(1)[0] == pytest.approx(0.015)


def test_takes_of_any_length_give_in_a_batch_what_they_give_alone(small):
    takes = [(take(3.21), NOTES), (take(8.0, 1), NOTES[:1]), (take(2.7, 2), []), (take(3.0, 3)[:, :0], [])]
    for alone, together in zip([small.encode(*one) for one in takes], small.encode_many(takes), strict=True):
        for one, other in zip(alone, together, strict=True):
            assert one.shape == other.shape
            assert np.abs(one - other).max(initial=0) < 1e-5  # float32 sums in another order


def test_what_lies_beyond_a_takes_end_is_not_heard(small):
    frames = torch.from_numpy(take(4.0))[None]
    times = torch.tensor([[[0.5, 1.0, 1.4]]])
    with torch.inference_mode():
        quiet = small.network(frames, torch.tensor([310]), times)
        frames[:, :, 310:] = 40.0
        loud = small.network(frames, torch.tensor([310]), times)
    assert torch.equal(quiet[0], loud[0])
    assert torch.equal(quiet[1][:, :, :78], loud[1][:, :, :78])


def test_gain_leaves(small):
    # L - L_loudest is the same when both rise by 17 dB
    quiet, loud = small.encode(take(3.0), NOTES), small.encode(take(3.0) + 17.0, NOTES)
    assert np.abs(quiet[0] - loud[0]).max() < 1e-4
    assert np.abs(quiet[1] - loud[1]).max() < 1e-5


def test_levels_are_taken_from_the_loudest_80_ms_of_the_take():
    frames = torch.full((1, 80, 100), -200.0)
    frames[0, 10, 20:40] = -30.0  # one band alone: all bands together are -30 dB
    frames[0, 11, 20:40] = -200.0
    frames[0, 12, 70] = -50.0
    x = relative(frames, torch.tensor([90]))
    assert x[0, 10, 30] == pytest.approx(80 / 40, abs=1e-4)  # (L - L_loudest + 80) / 40
    assert x[0, 12, 70] == pytest.approx(60 / 40, abs=1e-4)
    assert x[0, 12, 71] == 0.0 and (x[:, :, 90:] == 0).all()


def test_a_step_sees_about_a_second_to_either_side(small):
    # 2 blocks of kernel 7 reach 2 * 3 steps, the first convolution 6 frames more: 0.30 s
    frames = take(6.0)
    frames[:, 60:90] = -20.0  # the loudest moment stays where it is
    other = frames.copy()
    other[:, 400:] -= 7.0
    plain, changed = (small.encode(one, [])[1] for one in (frames, other))
    same = step_times(plain.shape[1]) < 4.0 - 0.3
    assert np.abs(plain - changed)[:, same].max() < 1e-6
    assert np.abs(plain - changed)[:, ~same].max() > 1e-4


def test_stretches_share_steps_out_by_overlap():
    share = segments(torch.tensor([[[1.0, 2.0, 2.5]]]), torch.tensor([400]), 100)[0, 0]
    assert share.shape == (SEGMENTS, 100)
    # lengths from the docstring: -0.05 to 0.08; 0.04 to 0.3; 0.1 to the end; 0.15 before to 0.08 after; 0.5 of ring
    assert share.sum(dim=1).numpy() == pytest.approx([0.13, 0.26, 0.9, 0.23, 0.5], abs=1e-3)
    begin, end = 25 * STEP_S - 0.005, 26 * STEP_S - 0.005  # of step 25, around its centre 1.015 s
    assert share[0, 25] == pytest.approx(end - begin, abs=1e-5)
    assert share[2, 27] == pytest.approx(28 * STEP_S - 0.005 - 1.1, abs=1e-5)


@pytest.mark.parametrize("times", [(0.0, 0.02, 0.02), (3.98, 4.0, 4.0), (3.9, 9.0, 20.0), (1.0, 1.0, 1.0)])
def test_a_note_at_the_edge_or_without_length_still_has_every_stretch(times, small):
    share = segments(torch.tensor([[times]]), torch.tensor([400]), 100)
    assert (share.sum(dim=3) > 0).all()
    assert np.isfinite(small.encode(take(4.0), [NoteSegment(*times, -20.0)])[0]).all()


def test_half_precision_stays_within_tolerance(small):
    full = small.encode(take(3.0), NOTES)
    half = TrainedEncoder(small.network, "half", half=True).encode(take(3.0), NOTES)
    # bfloat16 keeps 8 bits: 0.4 % a rounding, a few of them in a row
    assert np.linalg.norm(half[0] - full[0]) < 0.03 * np.linalg.norm(full[0])
    assert np.abs(half[1] - full[1]).max() < 0.03


@pytest.mark.skipif(not torch.cuda.is_available(), reason="no GPU")
def test_the_gpu_hears_what_the_cpu_hears(small, tmp_path):
    save_encoder(small.network, tmp_path / "e.safetensors", {})
    on_cpu, on_gpu = load_encoder(tmp_path / "e.safetensors"), load_encoder(tmp_path / "e.safetensors", "cuda")
    for one, other in zip(on_cpu.encode(take(3.0), NOTES), on_gpu.encode(take(3.0), NOTES), strict=True):
        assert np.abs(one - other).max() < 1e-2  # the card multiplies in tf32


def test_leanings_are_linear_in_the_difference_of_vectors(small):
    rng = np.random.default_rng(1)
    a, b = rng.standard_normal((2, 5, 8)).astype(np.float32)
    assert small.directions(a).shape == (5, len(DIRECTIONS))
    assert np.allclose(small.directions(a + b), small.directions(a) + small.directions(b), atol=1e-5)


def test_frames_of_another_shape_are_refused(small):
    with pytest.raises(AudioError, match=r"shape \(300, 80\), expected \(80, frame\)"):
        small.encode(np.zeros((300, 80), np.float32), [])


def test_a_takes_vector_is_the_geometric_median():
    line = np.array([[0.0, 1], [1, 1], [2, 1], [3, 1], [500, 1]])
    assert take_vector(line) == pytest.approx([2, 1], abs=1e-3)  # on a line it is the median
    corner = np.array([[0.0, 0], [4, 0], [0, 4], [4, 4], [1, 2]])
    # no point near it has a smaller sum of distances: the definition, tried on a grid
    grid = np.stack(np.meshgrid(np.linspace(0, 4, 81), np.linspace(0, 4, 81)), axis=-1).reshape(-1, 1, 2)
    least = np.linalg.norm(grid - corner, axis=2).sum(axis=1).min()
    assert np.linalg.norm(corner - take_vector(corner), axis=1).sum() <= least + 1e-3
    assert np.isnan(take_vector(np.zeros((0, 8)))).all()


def test_an_encoder_comes_back_as_it_was_saved(small, tmp_path):
    name = save_encoder(small.network, tmp_path / "own.safetensors", {"seed": 4})
    found = load_encoder(tmp_path / "own.safetensors")
    assert found.name == name and name.startswith("notes-1-") and len(name) == len("notes-1-") + 8
    assert np.array_equal(found.encode(take(3.0), NOTES)[0], small.encode(take(3.0), NOTES)[0])
    assert json.loads((tmp_path / "own.json").read_text())["seed"] == 4
    own = set(safetensors.numpy.load_file(tmp_path / "own.safetensors"))
    # The names in the file stay those of the shipped encoder, whatever the attributes are called.
    assert own < set(safetensors.numpy.load_file(shipped(SHIPPED))) and len(own) == len(small.network.state_dict())


def spoilt(what: str, folder) -> None:
    weights, card = folder / "own.safetensors", folder / "own.json"
    data = bytearray(weights.read_bytes())
    if what == "a byte":
        data[-1] ^= 1
        weights.write_bytes(data)
    elif what == "no card":
        card.unlink()
    elif what == "no weights":
        weights.unlink()
    elif what == "other sizes":
        card.write_text(json.dumps(json.loads(card.read_text()) | {"network": {"width": 8}}))
    elif what == "no json":
        card.write_text("{")
    else:
        weights.write_bytes(pickle.dumps({"weights": 1}))


@pytest.mark.parametrize(
    "what, message",
    [
        ("a byte", "SHA-256 differs"),
        ("a pickle", "SHA-256 differs"),
        ("no card", "own.json"),
        ("no weights", "own.safetensors"),
        ("other sizes", "size mismatch|Error"),
        ("no json", "Expecting"),
    ],
)
def test_a_file_that_is_not_what_its_card_says_is_one_clear_line(what, message, small, tmp_path):
    save_encoder(small.network, tmp_path / "own.safetensors", {})
    spoilt(what, tmp_path)
    with pytest.raises(JudgeError, match=message) as raised:
        load_encoder(tmp_path / "own.safetensors")
    assert "\n" not in str(raised.value)


def test_a_pickle_with_a_card_that_fits_is_never_run(small, tmp_path):
    import hashlib

    class Trap:
        def __reduce__(self):
            return (pytest.fail, ("code of a weights file was run",))

    save_encoder(small.network, tmp_path / "own.safetensors", {})
    spoilt("a pickle", tmp_path)
    data = pickle.dumps(Trap())
    (tmp_path / "own.safetensors").write_bytes(data)
    card = json.loads((tmp_path / "own.json").read_text()) | {"sha256": hashlib.sha256(data).hexdigest()}
    (tmp_path / "own.json").write_text(json.dumps(card))
    with pytest.raises(JudgeError, match="not an encoder"):
        load_encoder(tmp_path / "own.safetensors")


# What the shipped weights can do, on sounds of our own synthesis that no training used.


@pytest.fixture(scope="module")
def encoder() -> TrainedEncoder:
    return load_encoder()


def cohort(spoil=None) -> tuple[np.ndarray, list[NoteSegment]]:
    """Frames and notes of eight held horn notes, C3 to E flat 3 twice; ``spoil`` changes the sixth."""
    rng = np.random.default_rng(8)
    notes, wave = [], 1e-4 * rng.standard_normal(22 * RATE_HZ)
    for index in range(8):
        note = render_note(VOICES["horn"], 48 + index // 2, "mf", "sustain", rng, RATE_HZ)
        at = round((0.6 + 2.6 * index) * RATE_HZ)
        if spoil and index == 5:
            note = spoil(note)
        wave[at : at + len(note)] += note
        notes.append(NoteSegment(at / RATE_HZ, at / RATE_HZ + 1.3, at / RATE_HZ + 1.6, -20.0))
    return LogMel(RATE_HZ)(wave[None].astype(np.float32))[0], notes


def test_the_shipped_encoder_fits_its_card_and_its_budget():
    path = shipped(SHIPPED)
    card = json.loads(path.with_suffix(".json").read_text())
    assert path.stat().st_size == card["bytes"] < 16e6
    assert 1e6 < card["parameters"] < 3e6
    assert {"licences", "seed", "commit", "scores", "known_failures", "trained_on"} <= card.keys()


def test_a_wobble_stands_out_of_its_cohort(encoder):
    def wobble(note):
        return note * (1 + 0.35 * np.sin(2 * np.pi * 6 * np.arange(len(note)) / RATE_HZ))

    frames, notes = cohort(wobble)
    vectors, _ = encoder.encode(frames, notes)
    away = np.linalg.norm(vectors - np.median(vectors, axis=0), axis=1)
    assert away.argmax() == 5 and away[5] > 2 * np.sort(away)[-2]
    assert encoder.directions(vectors)[:, DIRECTIONS.index("steadiness")].argmax() == 5


def test_a_knock_in_a_tail_activates_when_it_sounds(encoder):
    def knocked(note):
        hit = knock(RATE_HZ, np.random.default_rng(2))
        out = np.pad(note, (0, RATE_HZ))
        out[2 * RATE_HZ : 2 * RATE_HZ + len(hit)] += 0.03 * hit / np.abs(hit).max()
        return out

    frames, notes = cohort(knocked)
    _, activations = encoder.encode(frames, notes)
    at_s = notes[5].start_s + 2.0
    noise, time_s = activations[ACTIVATION_KINDS.index("noise")], step_times(activations.shape[1])
    assert abs(time_s[noise.argmax()] - at_s) < 0.15
    quiet = np.abs(time_s - at_s) > 0.6
    assert noise.max() > 0.5 > np.quantile(noise[quiet], 0.98)


def test_a_gain_of_the_whole_session_leaves_the_differences_of_sizes_as_they_are():
    torch.manual_seed(3)
    network = Network(EncoderShape(width=16, blocks=1, hidden=16, dimension=8, sizes=len(SIZES)))
    torch.nn.init.normal_(network.levels.weight)
    encoder = TrainedEncoder(network, "sized")
    notes = [NoteSegment(0.5, 1.0, 1.4, -20.0), NoteSegment(2.0, 2.6, 2.9, -20.0)]
    frames = np.random.default_rng(3).uniform(-60, -20, (N_MELS, 400)).astype(np.float32)
    plain, louder = encoder.embed(frames, notes), encoder.embed(frames + 6, notes)
    assert not np.allclose(plain, louder, atol=0.1)
    told = encoder.sizes(louder[:1] - louder[1:])
    assert told.shape == (1, len(SIZES))
    np.testing.assert_allclose(told, encoder.sizes(plain[:1] - plain[1:]), atol=1e-3)


def test_an_encoder_without_sizes_tells_none():
    encoder = TrainedEncoder(Network(EncoderShape(width=16, blocks=1, hidden=16, dimension=8)), "plain")
    assert encoder.sizes(np.zeros((3, 8), np.float32)).shape == (3, 0)
