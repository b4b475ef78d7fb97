"""Test sessions: the truth agrees with the audio, the seed decides everything, nothing is shared with training."""

import ast
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.training.public_folder import write_public
from training.public_recordings import Recording, read_public
from training.trial import sessions
from training.trial.plan import plan_session
from training.trial.rooms import RATE_HZ
from training.trial.sessions import build_session
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet

TRAINING = Path(__file__).parents[2] / "training"
APART = ("training.trial", "training.public_recordings")


@pytest.fixture(scope="module")
def recordings(tmp_path_factory) -> list[Recording]:
    return read_public(write_public(tmp_path_factory.mktemp("public")), for_testing=True)[0]


@pytest.fixture(scope="module")
def built(recordings, tmp_path_factory) -> Path:
    return build_session(recordings, tmp_path_factory.mktemp("built") / "one", 3, takes=10)


def truth_of(folder: Path) -> dict:
    return json.loads((folder / "truth.json").read_text())["takes"]


def test_the_tool_reads_the_session(built):
    session = read_session(built)
    sheet = read_sheet(built / "take_sheet.csv")
    assert session.mic_names == ("close", "main", "room")
    assert not sheet.problems
    assert [row.take for row in sheet.rows] == list(truth_of(built))
    for row in sheet.rows:
        assert all((built / "audio" / f"{row.take}_{mic}.wav").is_file() for mic in session.mic_names)


def test_faultless_takes_play_what_the_sheet_asks_for(built):
    truth = truth_of(built)
    for row in read_sheet(built / "take_sheet.csv").rows:
        if not truth[row.take]["faults"]:
            assert [note["midi"] for note in truth[row.take]["notes"]] == list(row.expected())


def test_notes_lie_where_the_truth_says(built):
    for take, facts in truth_of(built).items():
        if facts["faults"]:
            continue
        samples, rate = soundfile.read(built / "audio" / f"{take}_close.wav")
        for note in facts["notes"]:
            before = samples[int((note["start_s"] - 0.1) * rate) : int((note["start_s"] - 0.04) * rate)]
            held = samples[int((note["start_s"] + 0.1) * rate) : int((note["end_s"] - 0.05) * rate)]
            assert np.std(held) > 3 * np.std(before)


def test_no_take_is_clipped_unless_that_is_its_fault(recordings, tmp_path, monkeypatch):
    monkeypatch.setattr(sessions, "CLOSE_PEAK", 30.0)  # a preamplifier 40 dB too high for the loudest note
    folder = build_session(recordings, tmp_path / "loud", 3, takes=10)
    for take, facts in truth_of(folder).items():
        if not facts["faults"]:
            samples, _ = soundfile.read(folder / "audio" / f"{take}_close.wav")
            assert 0.05 < np.abs(samples).max() < 0.99


def test_the_seed_decides_everything(recordings, built, tmp_path):
    again = build_session(recordings, tmp_path / "one", 3, takes=10)
    other = build_session(recordings, tmp_path / "other", 4, takes=10)
    files = sorted(path.relative_to(built) for path in built.rglob("*") if path.is_file())
    assert all((built / file).read_bytes() == (again / file).read_bytes() for file in files)
    assert (built / "audio/T001_close.wav").read_bytes() != (other / "audio/T001_close.wav").read_bytes()


def test_natural_sounds_come_before_notes_and_change_nothing_else(recordings, built, tmp_path):
    natural = build_session(recordings, tmp_path / "one", 3, natural_sounds=True, takes=10)
    assert truth_of(natural) == truth_of(built)
    added = 0.0
    for take, facts in truth_of(built).items():
        if facts["faults"]:
            continue
        plain, _ = soundfile.read(built / "audio" / f"{take}_close.wav")
        with_, _ = soundfile.read(natural / "audio" / f"{take}_close.wav")
        first = int((facts["notes"][0]["start_s"] - 0.7) * RATE_HZ)
        assert np.array_equal(plain[: max(first, 0)], with_[: max(first, 0)])
        added += float(np.sum((plain - with_) ** 2))
    assert added > 0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_session_has_the_planned_share_of_rejects(recordings, seed):
    notes = [recording for recording in recordings if recording.kind == "note"]
    takes = plan_session(notes, np.random.default_rng(seed))
    rejects = [take for take in takes if any(fault.rejects for fault in take.faults)]
    small = [take for take in takes if take.faults and take not in rejects]
    assert 76 <= len(takes) <= 116
    assert len(rejects) == pytest.approx(0.2 * len(takes), abs=1)
    assert len(small) == pytest.approx(0.05 * len(takes), abs=1)
    as_asked = [note for take in takes if take not in rejects for note in take.notes]
    assert all(abs(note.midi - (note.recording.midi or 0)) <= 2 for note in as_asked)
    assert {take.instrument for take in takes} <= {"trumpet", "oboe", "french-horn"}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def test_nothing_that_trains_imports_the_test_sessions():
    for path in TRAINING.rglob("*.py"):  # what builds the test of noises is imported by its evaluation alone
        assert "training.noise_sessions" not in imports(path) or path.name == "noise_evaluation.py", path.name
    for path in TRAINING.rglob("*.py"):
        if path.parent.name != "trial" and path.name not in ("trial_evaluation.py", "noise_sessions.py"):
            assert not any(name.startswith("training.trial") for name in imports(path)), path.name


def test_the_test_sessions_share_nothing_with_the_training_sessions():
    for path in (*(TRAINING / "trial").glob("*.py"), TRAINING / "public_recordings.py"):
        own = {name for name in imports(path) if name.split(".")[0] in ("training", "triage")}
        assert all(name.startswith(APART) for name in own), path.name
