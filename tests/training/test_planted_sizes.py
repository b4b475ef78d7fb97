"""Planted sizes: what is planted can be measured in the note, and nothing else changes."""

import numpy as np
import pytest
import torch

from training import note_editing as shaping
from training.dry_notes import Dry, DryNotes, joined
from training.planted_sizes import INDEX, NAMES, Planter, Plants, SizesRecipe, draw_plants, shape_of
from training.pool import RATE_HZ
from training.public_recordings import tuning_cents
from training.size_training import SizeTrainingConfig
from triage.config import read_toml, shipped
from triage.listen.encoder import SIZES

F0_HZ, LENGTH_S = 440.0, 1.2


@pytest.fixture(scope="module")
def sizes() -> SizesRecipe:
    return read_toml(shipped("configs/sizes.toml"), SizeTrainingConfig).sizes


@pytest.fixture(scope="module")
def dry() -> DryNotes:
    time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    tone = sum(np.sin(2 * np.pi * F0_HZ * k * time_s) / k for k in range(1, 12))
    gain = np.minimum(1, time_s / 0.02) * 10 ** (-np.maximum(0, time_s - 0.9) * 200 / 20)
    return joined([Dry("invented/sustain/mf", 69, 0.2 * tone * gain)])


def _planted(dry: DryNotes, sizes: SizesRecipe, **size: float) -> np.ndarray:
    values = np.zeros((1, len(NAMES)), np.float32)
    for name, value in size.items():
        values[0, INDEX[name]] = value
    plants = Plants(np.zeros(1, int), values, np.full(1, -1), np.full((1, 8), 0.3))
    wave = Planter(dry, sizes.jnd, torch.device("cpu"), 1)(plants)[0].double().numpy()
    end, _ = shape_of(dry, plants, sizes.jnd)
    measured = shaping.sounding_end(wave, RATE_HZ)
    assert abs(measured - end[0]) < 0.03 * RATE_HZ or "release" in size  # the lay-out counts on it
    return wave[: shaping.sounding_end(wave, RATE_HZ, 60.0)]


def test_the_encoder_names_the_sizes_that_are_planted() -> None:
    assert SIZES == NAMES


def test_a_note_without_plants_is_the_dry_note(dry: DryNotes, sizes: SizesRecipe) -> None:
    wave = _planted(dry, sizes)
    same = dry.samples[: len(wave)].astype(float)
    assert shaping.rms_db(wave - same) < shaping.rms_db(same) - 50


def test_tuning_level_and_length_are_those_planted(dry: DryNotes, sizes: SizesRecipe) -> None:
    plain = _planted(dry, sizes)
    sharp = _planted(dry, sizes, tuning=4)
    assert tuning_cents(sharp, RATE_HZ, 69) - tuning_cents(plain, RATE_HZ, 69) == pytest.approx(20, abs=0.5)
    loud = _planted(dry, sizes, level=-5)
    assert shaping.peak_rms_db(loud, RATE_HZ) - shaping.peak_rms_db(plain, RATE_HZ) == pytest.approx(-5, abs=0.05)
    for steps in (-4, 3, 6):
        length = shaping.sounding_end(_planted(dry, sizes, length=steps), RATE_HZ)
        assert length / shaping.sounding_end(plain, RATE_HZ) == pytest.approx(1.1**steps, rel=0.03)


def test_a_splice_is_in_phase(dry: DryNotes, sizes: SizesRecipe) -> None:
    for steps in (-4, 3, 6):
        levels = shaping.frame_levels_db(_planted(dry, sizes, length=steps), RATE_HZ, 0.01)
        held = levels[5 : int(0.85 * 0.9 * 1.1**steps / 0.01)]
        assert held.max() - held.min() < 1.0


def test_tone_changes_the_centre_and_not_the_level(dry: DryNotes, sizes: SizesRecipe) -> None:
    plain, thin = _planted(dry, sizes), _planted(dry, sizes, tone=5)
    assert shaping.centroid_hz(thin, RATE_HZ) > 1.1 * shaping.centroid_hz(plain, RATE_HZ)
    assert shaping.rms_db(thin) == pytest.approx(shaping.rms_db(plain), abs=0.1)


def test_starts_differ_as_planted_and_the_rest_does_not(dry: DryNotes, sizes: SizesRecipe) -> None:
    plain = _planted(dry, sizes)
    for name in ("slow", "split", "crack", "scoop", "breath"):
        wave = _planted(dry, sizes, **{name: 6})
        count = min(len(wave), len(plain))
        change = wave[:count] - plain[:count]
        early, late = change[: round(0.2 * RATE_HZ)], change[round(0.4 * RATE_HZ) :]
        assert shaping.rms_db(early) > shaping.rms_db(plain) - 25, name
        if name != "scoop":  # after a scoop the note goes on at another phase
            assert shaping.rms_db(late) < shaping.rms_db(plain) - 45, name


def test_drawn_sizes_are_spread_and_spoilt_as_asked(dry: DryNotes, sizes: SizesRecipe) -> None:
    note, rng = np.zeros(4000, int), np.random.default_rng(1)
    plants = draw_plants(dry, note, np.arange(4000) % 4 == 0, np.ones(4000), sizes, rng)
    good = plants.main < 0
    assert good.sum() == 3000
    assert plants.size[good, INDEX["level"]].std() == pytest.approx(sizes.spread["level"], rel=0.1)
    spoilt = plants.size[~good, plants.main[~good]]
    assert np.abs(spoilt).max() > 6
    assert {NAMES[at] for at in plants.main[~good]} == set(NAMES)
    assert (plants.size[:, INDEX["crack"]] >= 0).all()
