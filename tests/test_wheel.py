"""What is handed out carries all that it needs: the wheel, alone in an environment, takes a session in."""

import subprocess
import zipfile

import pytest

from tests.faults.mill import write_session
from tests.wheel import build, clean, install


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("wheel")


@pytest.fixture(scope="module")
def wheel(home):
    return build(home)


def test_the_wheel_holds_programs_models_and_settings_and_no_tests(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    carried = [name for name in names if "/share/take-triage/" in name]
    ends = {name.rsplit("/share/take-triage/")[-1] for name in carried}
    assert {"models/doubt.skops", "models/encoder.safetensors", "configs/session.toml", "configs/demo.toml"} <= ends
    assert not any(name.startswith("tests/") or name.endswith((".pyc", ".pickle")) for name in names)
    assert any(name.endswith("desk/static/desk.css") for name in names)


def test_installed_alone_it_takes_a_session_in(wheel, home):
    triage, folder = install(wheel, home), write_session(home / "mill", takes=("T001", "T002"))
    where = {"cwd": home, "env": clean(), "capture_output": True, "text": True}
    done = subprocess.run([triage, "intake", folder], **where)
    assert done.returncode == 3 and "2 takes, 2 of them new" in done.stdout, done.stderr  # three takes are missing
    told = "import triage; from triage.config import shipped; print(triage.__file__, shipped('configs/demo.toml'))"
    found = subprocess.run([home / "own" / "bin" / "python", "-c", told], check=True, **where)
    assert found.stdout.count(str(home)) == 2
