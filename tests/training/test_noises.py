"""A noise hit is where the truth says, at the level it says; invented noises are all different."""

import numpy as np
import pytest

from training import noises
from training import note_editing as shaping
from training.noises import InventedNoise, add_noise
from training.plans import Laid, NoiseClip, Stage
from training.recipe import Recipe
from training.rooms import build_hall
from training.synth import SynthPlayer

RATE_HZ = 48_000


class OneKnock:
    """A bank with one clip, short and sharp, so that its place can be read off the track."""

    def draw(self, rng: np.random.Generator) -> NoiseClip:
        return NoiseClip("knock", noises.knock(RATE_HZ, np.random.default_rng(1)), "test")


@pytest.fixture
def stage(small_recipe: Recipe) -> Stage:
    hall = build_hall(small_recipe.mics, small_recipe.hall, RATE_HZ, seed=1)
    return Stage(small_recipe, hall, SynthPlayer(RATE_HZ, 440.0), OneKnock())


@pytest.mark.parametrize("seed", range(5))
def test_a_hit_stands_at_its_stated_level_under_the_note(stage: Stage, seed: int) -> None:
    # A note of RMS -20 dB in every microphone from 0.5 to 1.5 s, nothing else.
    tracks = np.zeros((3, 5 * RATE_HZ))
    tracks[:, 24_000:72_000] = 0.1 * np.where(np.arange(48_000) % 2, 1, -1)
    laid = Laid([np.zeros(48_000)], [24_000], [72_000], [80_000], 5 * RATE_HZ)
    out, truth = add_noise(tracks, laid, stage, np.random.default_rng(seed))
    hit = out - tracks
    levels = {mic.name: shaping.peak_rms_db(hit[i], RATE_HZ) for i, mic in enumerate(stage.recipe.mics)}
    # The 10 ms frames of the track and of the clip begin at different samples.
    assert levels[truth["mic"]] > max(levels.values()) - 1.5
    assert levels[truth["mic"]] == pytest.approx(-20 - truth["size"], abs=1.5)
    assert 15 <= truth["size"] <= 38
    channel = [mic.name for mic in stage.recipe.mics].index(truth["mic"])
    start_s = np.flatnonzero(np.abs(hit[channel]) > 0.02 * np.abs(hit[channel]).max())[0] / RATE_HZ
    assert start_s == pytest.approx(truth["start_s"], abs=0.006)
    assert truth["start_s"] > 1.5


def test_a_hit_is_never_lost_in_the_microphones_floor(stage: Stage) -> None:
    tracks = np.zeros((3, 3 * RATE_HZ))
    tracks[:, 24_000:72_000] = 10 ** (-60 / 20)  # a note so soft that 15 to 38 dB below it nothing is heard
    laid = Laid([np.zeros(48_000)], [24_000], [72_000], [80_000], 3 * RATE_HZ)
    _, truth = add_noise(tracks, laid, stage, np.random.default_rng(0))
    floor_dbfs = {mic.name: mic.floor_dbfs for mic in stage.recipe.mics}[truth["mic"]]
    assert truth["level_dbfs"] == pytest.approx(floor_dbfs + 10)


def test_invented_noises_come_in_five_kinds() -> None:
    bank, rng = InventedNoise(RATE_HZ), np.random.default_rng(3)
    clips = [bank.draw(rng) for _ in range(60)]
    assert {clip.kind for clip in clips} == {"knock", "creak", "breath", "mechanism", "paper"}
    assert all(np.isfinite(clip.waveform).all() and 0.1 < len(clip.waveform) / RATE_HZ < 1 for clip in clips)
