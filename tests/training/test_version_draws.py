"""Versions of takes: faults where the truth says, and sessions drawn with one version of every take."""

import json
from dataclasses import replace

import numpy as np
import pytest

from training.noises import InventedNoise
from training.note_versions import CALIBRATION_FAULTS, NOISE, RATE_HZ, build_versions, late_sag
from training.public_recordings import FAMILIES, TESTING_FAMILIES, TESTING_INSTRUMENTS
from training.version_calibration import VersionCalibrationConfig, certainties, examples_of, noises_of, version_specs
from training.version_draws import analyse_versions, draw_takes, labelled_draw
from triage.config import read_toml, shipped
from triage.domain.hit import Hit
from triage.judge.doubt import FINE

CONFIG = read_toml(shipped("configs/version_calibration.toml"), VersionCalibrationConfig)
FEW = {"fine": 1, "spoilt": 2, "technical_share": 0.0, "count_share": 0.0, "noise_share": 0.0, "lead_in_share": 1.0}


@pytest.fixture(scope="module")
def recipe():
    takes = CONFIG.versions.takes.model_copy(update={"most": 4, "repetitions": (1, 1)})
    return CONFIG.versions.model_copy(update={**FEW, "takes": takes})


@pytest.fixture(scope="module")
def folder(recipe, tmp_path_factory):
    folder = tmp_path_factory.mktemp("versions") / "session"
    build_versions(recipe, [], InventedNoise(RATE_HZ), "voice-0", folder, 7)
    return folder


@pytest.fixture(scope="module")
def analysed(folder):
    return analyse_versions(folder)


def test_every_take_has_its_versions_and_the_same_seed_gives_the_same_sound(recipe, folder, tmp_path):
    truth = json.loads((folder / "truth.json").read_text())["takes"]
    assert len(truth) == 4 * 3
    for name, own in truth.items():
        assert bool(own["faults"]) == (own["version"] >= 1)
        assert name == f"{own['take']}v{own['version']}"
        assert all(fault["name"] in CALIBRATION_FAULTS for fault in own["faults"])
    again = tmp_path / "again"
    build_versions(recipe, [], InventedNoise(RATE_HZ), "voice-0", again, 7)
    for path in sorted((folder / "audio").iterdir()):
        assert path.read_bytes() == (again / "audio" / path.name).read_bytes()


def test_a_drawn_session_has_one_version_of_each_take(analysed):
    takes = draw_takes(analysed, 0.5, np.random.default_rng(0))
    assert len(takes) == len({analysed.truth[take.name]["take"] for take in takes}) == 4
    none = draw_takes(analysed, 0.0, np.random.default_rng(0))
    assert not any(analysed.truth[take.name]["faults"] for take in none)


def test_the_note_that_was_spoilt_has_the_label_and_small_faults_are_fine(analysed):
    takes = draw_takes(analysed, 1.0, np.random.default_rng(1))
    labelled = labelled_draw(analysed, takes)
    wanted = {
        (take.name, fault["note"]): (fault["kind"] if fault["rejected"] else FINE, fault["name"])
        for take in takes
        for fault in analysed.truth[take.name]["faults"]
    }
    assert wanted
    for row, (take, number) in enumerate(zip(labelled.table.take, labelled.table.number, strict=True)):
        if labelled.usable[row] and sum(labelled.table.take == take) == len(analysed.truth[str(take)]["notes"]):
            assert (labelled.kind[row], labelled.fault[row]) == wanted.get((str(take), int(number)), (FINE, FINE))
    assert (labelled.fault != FINE).sum() >= len(wanted) - 1


def test_a_noise_in_a_gap_is_labelled_on_the_note_that_it_was_heard_with(analysed):
    takes = [next(take for take in analysed.takes if len(take.notes) >= 2)]
    name = takes[0].name
    fault = {"name": NOISE, "kind": NOISE, "note": 1, "rejected": True}
    truth = {name: {**analysed.truth[name], "faults": [fault], "technical": None}}
    second = takes[0].notes[1]
    knock = Hit("knock", second.start_s - 0.3, second.start_s - 0.2, "close", ("close",), -30.0, 30.0, 0.95, 2)
    for hits, noisy in (((), 0), ((knock,), 1)):
        heard = replace(analysed, truth=truth, takes=[replace(takes[0], hits=hits)])
        assert labelled_draw(heard, heard.takes).fault.tolist().index(NOISE) == noisy


def test_certainties_are_probabilities_and_none_false_gives_a_high_one(analysed):
    draws = CONFIG.draws.model_copy(update={"of_each": 3})
    config = CONFIG.model_copy(update={"draws": draws})
    found = certainties([analysed], config)
    assert all(0 < value < 1 for value in found.values())
    unheard, *heard = examples_of(analysed, config, 1)
    assert len(heard) == 2
    activations = np.char.startswith(unheard.features.names, "heard_")
    assert activations.any() and not unheard.features.matrix[:, activations].any()
    assert unheard.features.matrix[:, ~activations].any() and heard[0].features.matrix[:, activations].any()


def test_a_late_sag_leaves_the_start_in_tune():
    time_s = np.arange(RATE_HZ) / RATE_HZ
    note = np.sin(2 * np.pi * 220 * time_s) * np.minimum(1, (1 - time_s) / 0.01)
    sagged = late_sag(note, RATE_HZ, np.random.default_rng(0), -50.0)
    np.testing.assert_allclose(sagged[: RATE_HZ // 2], note[: RATE_HZ // 2], atol=2e-3)
    spectrum = np.abs(
        np.fft.rfft(sagged[int(0.95 * RATE_HZ) - 4800 : int(0.95 * RATE_HZ)] * np.hanning(4800), 48_000)
    )
    assert spectrum.argmax() == pytest.approx(220 * 2 ** (-50 / 1200), abs=1.5)


def test_the_recipe_plays_nothing_that_is_kept_for_testing():
    specs = version_specs(CONFIG)
    recorded = {spec.instrument for spec in specs if not spec.instrument.startswith("voice")}
    assert {FAMILIES[one] for one in recorded}.isdisjoint(TESTING_FAMILIES)
    assert recorded.isdisjoint(TESTING_INSTRUMENTS)
    assert recorded.isdisjoint({"tuba", "double-bass"})  # the encoder was trained on those
    assert CONFIG.sessions.noise_half == "first"  # training/evaluate.py tests with the second
    assert len({spec.seed for spec in specs}) == len(specs)


def test_clips_of_the_other_half_are_never_drawn(recordings):
    bank = noises_of(CONFIG, recordings)
    rng = np.random.default_rng(0)
    sources = {bank.draw(rng).source for _ in range(60)}
    assert "invented" in sources and len(sources) > 5
