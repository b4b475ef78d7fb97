"""The invented session of the demo, with one part only so that it renders in a moment."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.commands import asked, run, sqlite
from training import demo, demo_session
from training.demo_session import SEED, DemoRecipe, demo_parts, ranking_summary, render_demo
from training.recipe import Recipe
from training.sessions import draw_faults, plan_takes
from triage.analysis import workers
from triage.config import read_toml, shipped
from triage.domain.errors import ConfigError


@pytest.fixture(scope="module")
def recipe() -> DemoRecipe:
    whole = read_toml(shipped("configs/demo.toml"), DemoRecipe)
    return whole.model_copy(
        update={"parts": tuple(part for part in whole.parts if part.articulation == "staccato")[:1]}
    )


def test_the_demo_has_its_faults_and_its_trouble_with_files(recipe: DemoRecipe, tmp_path: Path) -> None:
    reported: list[tuple[str, int, int]] = []
    truth = render_demo(tmp_path, recipe, lambda what, done, total: reported.append((what, done, total)))
    count = len(truth["takes"])
    assert reported[-1] == ("rendering", count, count)
    arrivals = truth["arrivals"]
    lost = arrivals["missing"][0]
    assert not (tmp_path / "audio" / f"{lost['take']}_{lost['mic']}.wav").exists()
    assert (tmp_path / arrivals["unexpected"][0]).is_file()
    broken = tmp_path / arrivals["broken"][0]
    whole = truth["takes"][broken.name.split("_")[0]]["duration_s"]
    assert soundfile.info(broken).duration < 0.5 * whole
    troubled = {lost["take"], broken.name.split("_")[0]}
    assert all(truth["takes"][take]["fault"] is None for take in troubled)
    # Played one after another: what was "just played" is the end of the sheet, not what was rendered last.
    files = {take: list((tmp_path / "audio").glob(f"{take}_*")) for take in sorted(truth["takes"])}
    ends_s = [max(path.stat().st_mtime for path in paths) for paths in files.values()]
    lasts_s = [truth["takes"][take]["duration_s"] for take in files]
    assert np.diff(ends_s) == pytest.approx(np.array(lasts_s[1:]) + demo_session.PAUSE_S, abs=0.01)
    assert render_demo(tmp_path, recipe) == truth  # a second call keeps what is there


def test_the_demo_writes_into_no_folder_that_holds_something_else(recipe: DemoRecipe, tmp_path: Path) -> None:
    (tmp_path / "song.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ConfigError, match="--folder"):
        render_demo(tmp_path, recipe)


def test_the_whole_demo_has_at_least_forty_takes_of_four_to_six_notes() -> None:
    whole = read_toml(shipped("configs/demo.toml"), DemoRecipe)
    parts = demo_parts(whole)
    plans = plan_takes(parts, dict.fromkeys(parts, 2), whole.takes, np.random.default_rng([SEED, 1]))
    assert len(plans) >= 40
    assert {len(plan.expected()) for plan in plans} <= {4, 5, 6}


def test_the_ranking_is_summed_up_in_one_line() -> None:
    takes = {f"T{n}": {"fault": {"kind": "length"} if n in (1, 7) else None} for n in range(10)}
    line = ranking_summary(["T1", "T2", "T7", *(f"T{n}" for n in (0, 3, 4, 5, 6, 8, 9))], {"takes": takes})
    assert line == "1 of 2 planted faults stand in the first fifth of the queue (2 takes)\n"


def test_the_command_shows_the_head_of_the_queue_and_keeps_its_store_to_itself(
    recipe: DemoRecipe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served: list[str] = []
    monkeypatch.setattr(demo_session, "demo_recipe", lambda: recipe)
    monkeypatch.setattr(demo, "open_desk", lambda address, port: served.append(address))
    monkeypatch.setattr(workers, "cores", lambda: 1)
    monkeypatch.delenv("TRIAGE_STORE", raising=False)
    monkeypatch.chdir(tmp_path)
    result = run("demo", "--no-serve")
    assert (
        result.status == 0
        and result.out.startswith("kettle-weir-day1-a: ")
        and "first fifth of the queue" in result.out
    )
    assert [path.name for path in tmp_path.iterdir()] == ["triage-demo"]
    address = "sqlite:///triage-demo/triage.db"
    assert address in result.err and "A rank is no verdict" in result.err and served == []
    truth = json.loads((tmp_path / "triage-demo" / "truth.json").read_text())
    arrivals = asked("arrivals", address)
    assert arrivals["missing"] == truth["arrivals"]["missing"]
    assert [entry["path"] for entry in arrivals["broken"]] == truth["arrivals"]["broken"]
    assert arrivals["unexpected"] == truth["arrivals"]["unexpected"]
    # Again keeps the session and opens the desk where asked; a named store goes before the demo's own.
    assert run("demo", "--store", sqlite(tmp_path, "other")).out == result.out and served == [
        sqlite(tmp_path, "other")
    ]


@pytest.mark.parametrize("name", ["evaluation.toml", "demo.toml"])
def test_the_shipped_recipes_name_only_known_faults(name: str) -> None:
    recipe = read_toml(shipped(f"configs/{name}"), Recipe if name == "evaluation.toml" else DemoRecipe)
    assert len(draw_faults(30, recipe, np.random.default_rng(0))) == 30
