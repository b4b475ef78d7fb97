import copy
import json
import zlib

import numpy as np
import pytest
import torch

from tests.training.learning import as_toml, small_config
from training.batches import EncoderRenderer
from training.encoder_losses import Losses, cohort_difference
from training.layout import plan
from training.network_training import noise_clips, split_parts, with_options
from training.pool import KINDS, build_pool
from training.pretrain import PretrainConfig, fit, main, without_aims
from triage.config import read_toml, shipped
from triage.domain.errors import ConfigError
from triage.listen.encoder import NOISES, EncoderShape, Network, load_encoder


@pytest.fixture(scope="module")
def config():
    return small_config()


@pytest.fixture(scope="module")
def pool(config, stand_ins):
    return build_pool(config.pool, stand_ins, None, seed=1)


@pytest.fixture(scope="module")
def renderer(config, pool, stand_ins):
    clips = noise_clips(config, stand_ins, (0, 1, 2, 3), 1, NOISES)
    return EncoderRenderer(pool, torch.from_numpy(pool.samples), clips, config.stage, seed=1)


def trained(renderer, config, parts, log=lambda values, step: None):
    torch.manual_seed(1)
    return fit(Network(EncoderShape(**config.network.model_dump())), renderer, parts, config, log)


def test_fit_logs_every_aim_and_moves_the_weights(renderer, config, pool):
    logged = []
    parts, _ = split_parts(pool, ())
    average, steps = trained(renderer, config, parts, lambda values, step: logged.append((step, values)))
    assert steps == config.train.steps - 1  # the last one, counted from 0
    assert logged[0][1].keys() >= {f"train/{aim}" for aim in ("contrastive", "evidence", "cohort", "measurements")}
    assert all(np.isfinite(list(values.values())).all() for _, values in logged)
    torch.manual_seed(1)
    first = Network(EncoderShape(**config.network.model_dump()))
    assert all(
        not torch.equal(a, b)
        for (n, a), b in zip(first.named_parameters(), average.parameters(), strict=True)
        if "vector" in n or "activations" in n
    )


def test_the_same_seed_gives_the_same_weights(renderer, config, pool):
    parts, _ = split_parts(pool, ())
    one, other = trained(renderer, config, parts)[0], trained(renderer, config, parts)[0]
    assert all(torch.equal(a, b) for a, b in zip(one.parameters(), other.parameters(), strict=True))


def test_training_lowers_the_loss_of_a_repeated_batch(renderer, config, pool):
    # one batch, over and over: what cannot be learnt here is broken
    torch.manual_seed(2)
    network, losses = Network(EncoderShape(width=32, blocks=1, hidden=32, dimension=16)), Losses(16)
    takes = plan(pool, split_parts(pool, ())[0], renderer.recipe, np.random.default_rng(3))
    batch = renderer.render(takes, 4)
    optimizer = torch.optim.AdamW([*network.parameters(), *losses.parameters()], 3e-3)
    curve = []
    for _ in range(40):
        vectors, logits = network(batch.frames, batch.lengths, batch.times)
        found = losses(vectors, logits, batch, renderer.recipe.takes, network.direction)
        optimizer.zero_grad()
        sum(found.values()).backward()
        optimizer.step()
        curve.append({name: value.item() for name, value in found.items()})
    assert curve[-1]["evidence"] < 0.5 * curve[0]["evidence"]
    assert curve[-1]["cohort"] < 0.7 * curve[0]["cohort"]


def test_an_aim_of_weight_0_has_no_effect(renderer, config, pool):
    parts, _ = split_parts(pool, ())
    alone = config.model_copy(
        update={"aims": config.aims.model_copy(update={"contrastive": 0.0, "cohort": 0.0, "measurements": 0.0})}
    )
    average, _ = trained(renderer, alone, parts)
    torch.manual_seed(1)
    first = Network(EncoderShape(**config.network.model_dump()))
    with_decay = (1 - config.train.learning_rate * config.train.weight_decay) ** config.train.steps
    # the vectors' last layer has no gradient: nothing but weight decay touches it
    assert torch.allclose(average.vector.weight, first.vector.weight, rtol=2 * (1 - with_decay), atol=1e-7)
    assert not torch.equal(average.activations.weight, first.activations.weight)


def test_a_spoilt_note_hardly_moves_the_cohort_mean():
    rng = np.random.default_rng(0)
    z = torch.from_numpy(rng.standard_normal((1, 12, 3)).astype(np.float32))
    mask = torch.ones(1, 12, dtype=torch.bool)
    mask[0, 10:] = False
    plain = cohort_difference(z, mask)
    far = z.clone()
    far[0, 4] += 1000.0
    moved = cohort_difference(far, mask)
    assert torch.abs(moved - plain)[0, [0, 1, 2, 3, 5, 6, 7, 8, 9]].max() < 0.5  # of a spread of 1
    assert moved[0, 4].norm() == pytest.approx(1000 * 3**0.5, rel=0.01)
    absent = z.clone()
    absent[0, 10:] = 77.0
    assert torch.allclose(cohort_difference(absent, mask)[0, :10], plain[0, :10])


def test_a_note_is_left_out_of_its_own_mean():
    # three equal notes and one apart by d: its difference is exactly d, whatever its weight
    z = torch.zeros(1, 4, 2)
    z[0, 3] = torch.tensor([3.0, 4.0])
    assert cohort_difference(z, torch.ones(1, 4, dtype=torch.bool))[0, 3].norm() == pytest.approx(5.0)


def test_the_negatives_of_the_contrastive_loss_are_notes_of_another_kind(config):
    losses = Losses(4)
    with torch.no_grad():
        losses.projection.weight.copy_(torch.eye(4)), losses.projection.bias.zero_()
    z = torch.eye(4)[[0, 0, 1]].repeat(2, 1, 1)  # two views of one episode: two notes alike, one apart
    labelled = torch.ones(2, 3, dtype=torch.bool)
    fine = torch.zeros(2, 3, dtype=torch.long)
    spoilt = fine.clone()
    spoilt[:, 1] = KINDS.index("attack")
    # cosine 1 to itself and 0 to the others, temperature 0.1; by hand:
    alike = np.log(1 + np.exp(0)), np.log(1 + np.exp(-10))
    expected = np.mean([alike[0], np.log(np.exp(10) + np.exp(10) + 1) - 10, alike[1]])
    assert losses._contrastive(z, spoilt, labelled).item() == pytest.approx(expected, abs=1e-3)
    other = z.clone()
    other[:, 1] = torch.tensor([0.0, 0, 1, 0])
    assert losses._contrastive(other, spoilt, labelled).item() < 1e-3


def test_what_is_left_out_is_what_is_validated_on(pool):
    train, held = split_parts(pool, ())
    assert not set(train) & set(held)
    assert {str(pool.parts[i]).split("/")[0] for i in held} == {"voice 1"}
    train, held = split_parts(pool, ("horn",))
    assert {str(pool.parts[i]).split("/")[0] for i in held} == {"horn"}
    assert not [i for i in train if "horn" in str(pool.parts[i])]


def test_the_recipe_holds_out_what_evaluation_needs(recordings):
    whole = read_toml(shipped("configs/pretrain.toml"), PretrainConfig)
    names = [*whole.pool.instruments, *whole.pool.bank.families, *whole.pool.bank.held]
    assert not [name for name in names if any(word in name.lower() for word in ("sax", "alto", "tenor", "soprano"))]
    clips = noise_clips(whole, recordings, whole.noise.quarters, 1, NOISES)
    real = [clip for clip in clips if clip.source != "invented"]
    assert len(real) > 80 and {zlib.crc32(clip.source.encode()) % 2 for clip in real} == {0}  # 1 is "second"
    assert {clip.kind for clip in clips} <= set(NOISES)


def test_an_unknown_aim_is_reported(config):
    with pytest.raises(ConfigError, match="--no-aim contrast: no such aim; there are contrastive"):
        without_aims(config, ["contrast"])
    assert without_aims(config, ["cohort"]).aims.cohort == 0.0
    assert with_options(config, [2], 7, 0.0).train.steps == 7


def test_one_command_leaves_weights_a_card_and_a_tracked_run(config, stand_ins, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("MLFLOW_ALLOW_FILE_STORE", "true")
    monkeypatch.setenv("MLFLOW_TRACKING_URI", (tmp_path / "runs").as_uri())
    quick = config.model_copy(update={"noise": config.noise.model_copy(update={"quarters": (0, 1, 2, 3)})})
    recipe = as_toml(copy.deepcopy(quick), tmp_path / "small.toml")
    out = tmp_path / "encoder.safetensors"
    main(stand_ins, None, recipe, out, pool_file=tmp_path / "pool.npz")
    found, card = load_encoder(out), json.loads(out.with_suffix(".json").read_text())
    assert found.dimension == 8 and capsys.readouterr().out.startswith(f"{out}: {found.name}")
    assert card["licences"] and card["seed"] == 20 and card["trained_on"]["notes"].keys() == {"horn", "voices"}
    assert {"val/knn", "val/evidence_noise", "cepstra/knn"} <= card["scores"].keys()
    assert card["config"]["stage"]["episodes"] == 2 and (tmp_path / "pool.npz").exists()
    run = next((tmp_path / "runs").glob(f"*/{card['mlflow_run']}"))
    assert (run / "metrics" / "train" / "evidence").read_text().count("\n") == 1  # step 0 of 4
    assert (run / "metrics" / "val" / "knn").exists() and (run / "artifacts" / "encoder.json").exists()
