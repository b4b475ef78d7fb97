"""The built wheel in an environment of its own: is all in it? ``python -m tests.wheel`` runs the demo there.

The libraries are those installed here; the environment sees them behind its own, so that nothing is fetched. The
wheel is built from a copy of the files, for building leaves folders behind.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).parent.parent
CARRIED = ("README.md", "pyproject.toml", "triage", "training", "models", "configs")


def build(home: Path) -> Path:
    """Return the wheel, built in a folder."""
    for name in CARRIED:
        source, target = ROOT / name, home / "source" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, target)
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", str(home), "."]
    subprocess.run(command, cwd=home / "source", check=True, capture_output=True)
    (wheel,) = home.glob("*.whl")
    return wheel


def install(wheel: Path, home: Path) -> Path:
    """Return the `triage` of a new environment with the wheel in it."""
    venv.create(home / "own", with_pip=False, symlinks=True)
    (packages,) = (home / "own").glob("lib/python*/site-packages")
    shared = next(path for path in sys.path if path.endswith("site-packages"))
    (packages / "shared.pth").write_text(f"{shared}\n")
    python = home / "own" / "bin" / "python"
    command = [str(python), "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--ignore-installed", str(wheel)]
    subprocess.run(command, check=True, capture_output=True)
    return home / "own" / "bin" / "triage"


def clean() -> dict[str, str]:
    """Return an environment in which nothing of the checkout or of this session's settings shows."""
    own = ("PYTHONPATH", "TRIAGE_STORE", "PYTHONHOME", "MLFLOW_TRACKING_URI")
    return {name: value for name, value in os.environ.items() if name not in own}


def main() -> int:
    """Build, install, run the demo, check its store."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        triage = install(build(home), home)
        for words in (["--version"], ["demo", "--no-serve"], ["check", "--store", "sqlite:///triage-demo/triage.db"]):
            done = subprocess.run([triage, *words], cwd=home, env=clean())
            if done.returncode:
                return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
