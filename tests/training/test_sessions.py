"""A built session: what lies in the folder, whether the intake can read it, whether the truth is true."""

import hashlib
import json
from collections import Counter
from pathlib import Path

import numpy as np
import parselmouth
import pytest
import soundfile

from training import note_editing as shaping
from training.plans import Truth
from training.recipe import Recipe
from training.recordings import list_notes, trimmed
from training.sessions import build, draw_faults, plan_takes
from triage.config import read_toml, shipped
from triage.domain.errors import AudioError, ConfigError
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def built(small_recipe: Recipe, stand_ins: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    folder = tmp_path_factory.mktemp("session")
    recipe = small_recipe.model_copy(update={"faults": small_recipe.faults.model_copy(update={"share": 0.5})})
    return folder, build(recipe, folder, stand_ins, seed=4)


def test_the_folder_holds_what_the_truth_says(built: tuple[Path, Truth]) -> None:
    folder, truth = built
    assert json.loads((folder / "truth.json").read_text(encoding="utf-8")) == json.loads(json.dumps(truth))
    files = {path.name for path in (folder / "audio").iterdir()}
    assert files == {f"{take}_{mic}.wav" for take in truth["takes"] for mic in ("close", "main", "room")}
    for take, entry in truth["takes"].items():
        facts = soundfile.info(folder / "audio" / f"{take}_close.wav")
        assert (facts.samplerate, facts.subtype, facts.channels) == (RATE_HZ, "PCM_24", 1)
        assert facts.duration == pytest.approx(entry["duration_s"], abs=1e-4)


def test_the_intake_reads_the_session_and_its_sheet(built: tuple[Path, Truth]) -> None:
    folder, truth = built
    session = read_session(folder)
    assert session.reference_mic_name() == "close"
    sheet = read_sheet(folder / "take_sheet.csv")
    assert sheet.problems == ()
    assert {row.take: row.expected() for row in sheet.rows} == {
        take: tuple(note["pitch"] for note in entry["notes"]) for take, entry in truth["takes"].items()
    }


def test_half_of_the_takes_have_one_fault_each(built: tuple[Path, Truth]) -> None:
    takes, left_out = built[1]["takes"], built[1]["left_out"]
    planted = [entry["fault"]["kind"] for entry in takes.values() if entry["fault"] is not None]
    assert planted and len(planted) + len(left_out) == round(len(takes) / 2)
    assert set(left_out) <= {"steadiness"}  # these notes are too short to waver
    for entry in takes.values():
        assert sum(note["fault"] is not None for note in entry["notes"]) <= 1
        if entry["fault"] is not None:
            assert 0 <= entry["fault"]["start_s"] < entry["fault"]["end_s"] <= entry["duration_s"] + 1e-6


def test_notes_sound_where_the_truth_says(built: tuple[Path, Truth]) -> None:
    folder, truth = built
    for take, entry in truth["takes"].items():
        if entry["fault"] is not None:
            continue
        track, _ = soundfile.read(folder / "audio" / f"{take}_close.wav")
        for note in entry["notes"]:
            start = int((note["onset_s"] - 0.3) * RATE_HZ)
            levels = shaping.frame_levels_db(track[start : start + int(0.5 * RATE_HZ)], RATE_HZ, 0.002)
            risen_s = float(np.argmax(levels > levels.max() - 25)) * 0.002 - 0.3
            assert -0.004 <= risen_s <= 0.03


def test_the_same_seed_gives_the_same_bytes(
    built: tuple[Path, Truth], stand_ins: Path, small_recipe: Recipe, tmp_path: Path
) -> None:
    recipe = small_recipe.model_copy(update={"faults": small_recipe.faults.model_copy(update={"share": 0.5})})
    build(recipe, tmp_path, stand_ins, seed=4)
    assert digests(tmp_path) == digests(built[0])


def digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_a_note_is_trimmed_at_its_onset(stand_ins: Path) -> None:
    # The stand-ins start with 100 ms of silence.
    note, rate_hz = trimmed(stand_ins / "48_1.flac")
    whole, _ = soundfile.read(stand_ins / "48_1.flac")
    assert len(whole) - len(note) == pytest.approx(4410, abs=0.01 * rate_hz)


def test_takes_cut_the_range_into_neighbours(small_recipe: Recipe) -> None:
    part = ("horn", "staccato", "f")
    takes = small_recipe.takes.model_copy(update={"pitches": (3, 5), "repetitions": (2, 4)})
    plans = plan_takes({part: list(range(40, 67))}, {part: 2}, takes, np.random.default_rng(1))
    assert [pitch for plan in plans for pitch in plan.pitches] == list(range(40, 67))
    assert all(2 < len(plan.pitches) <= 6 and plan.repetitions == 2 for plan in plans)


def test_parts_too_thin_to_judge_are_left_out(small_recipe: Recipe) -> None:
    part = ("bass", "pizz", "f")
    assert plan_takes({part: [40, 45, 50]}, {part: 3}, small_recipe.takes, np.random.default_rng(1)) == []


def test_faults_are_dealt_by_weight(small_recipe: Recipe) -> None:
    weights = {"length": 1.0, "level": 1.0, "noise": 2.0}
    recipe = small_recipe.model_copy(update={"faults": small_recipe.faults.model_copy(update={"weights": weights})})
    dealt = Counter(draw_faults(20, recipe, np.random.default_rng(2)))
    assert dealt == {"length": 5, "level": 5, "noise": 10}


def test_an_unknown_kind_of_fault_is_refused(small_recipe: Recipe) -> None:
    recipe = small_recipe.model_copy(
        update={"faults": small_recipe.faults.model_copy(update={"weights": {"mood": 1}})}
    )
    with pytest.raises(ConfigError, match="mood"):
        draw_faults(3, recipe, np.random.default_rng(2))


def test_a_folder_without_recordings_is_one_clear_line(small_recipe: Recipe, tmp_path: Path) -> None:
    with pytest.raises(AudioError, match=r"notes\.csv"):
        build(small_recipe, tmp_path / "out", tmp_path, seed=1)


def test_an_instrument_that_is_not_there_is_said(small_recipe: Recipe, stand_ins: Path, tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="spelling"):
        build(small_recipe, tmp_path, stand_ins, seed=1, instruments=["ophicleide"])


def test_real_recordings_make_a_session(recordings: Path, tmp_path: Path) -> None:
    recipe = read_toml(shipped("configs/evaluation.toml"), Recipe)
    short = recipe.model_copy(
        update={"takes": recipe.takes.model_copy(update={"most": 1, "pitches": (13, 14), "repetitions": (1, 1)})}
    )
    truth = build(short, tmp_path, recordings, seed=3, instruments=["tuba"])
    assert 1 <= len(truth["takes"]) <= 3
    peaks = [np.abs(soundfile.read(path)[0]).max() for path in (tmp_path / "audio").iterdir()]
    assert max(peaks) < 1

    assert read_sheet(tmp_path / "take_sheet.csv").problems == ()


def test_the_tubas_listed_pitch_is_the_sounding_one(recordings: Path) -> None:
    # Praat's autocorrelation (another implementation) on held notes; an octave off would be 1200 cents.
    recipe = read_toml(shipped("configs/evaluation.toml"), Recipe)
    notes = [note for note in list_notes(recordings, recipe, ("tuba",)) if note.part[1] == "sustain"]
    assert notes[0].part[2] == "mf"  # the source names no dynamic for these
    for note in notes[::9]:
        waveform, rate_hz = trimmed(note.path)
        track = parselmouth.Sound(waveform[rate_hz : 3 * rate_hz], rate_hz).to_pitch_ac(pitch_floor=25.0)
        found = track.selected_array["frequency"]
        midi = 69 + 12 * np.log2(np.median(found[found > 0]) / 440)
        assert midi == pytest.approx(note.midi_pitch, abs=0.5)
