"""One command for the figures of the README: it runs what is there to run and says what it leaves out."""

import platform
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from typer import Exit

from training import figures, noise_evaluation


@pytest.mark.parametrize("name, command", figures.FIGURES.items())
def test_each_figure_is_a_module_with_these_options(name, command):
    module, *words = command.split()
    spec = find_spec(module)
    assert spec is not None and spec.origin is not None
    origins = [Path(spec.origin), Path(noise_evaluation.__file__)] if " noise " in command else [Path(spec.origin)]
    source = "".join(path.read_text(encoding="utf-8") for path in origins)
    for option in (word for word in words if word.startswith("--")):
        assert f'"{option}"' in source or f"{option[2:].replace('-', '_')}: " in source, option


def test_what_needs_a_folder_is_left_out_and_said_and_the_rest_runs(monkeypatch, capfd, tmp_path):
    monkeypatch.setattr(figures, "FIGURES", {"noise": "json.tool PUBLIC", "queue": "platform"})
    with pytest.raises(Exit) as left:
        figures.main(cache=tmp_path)
    told = capfd.readouterr()
    assert left.value.exit_code == 3 and told.err == "noise: left out; it needs --public\n"
    assert "## queue: python -m platform\n\n" in told.out and platform.platform() in told.out
    (tmp_path / "broken.json").write_text("{")
    with pytest.raises(Exit) as left:
        figures.main(only=["noise"], public=tmp_path / "broken.json", cache=tmp_path)
    assert left.value.exit_code == 1


def test_a_figure_that_there_is_none_of_is_refused():
    asked = [sys.executable, "-m", "training.figures", "--only", "colour"]
    done = subprocess.run(asked, capture_output=True, text=True)
    assert done.returncode == 2 and "colour" in done.stderr and "consistency" in done.stderr
