"""Who may import whom, how long a module may be, what carries a docstring, what lies at the top.

Imports are read from the source, wherever in a file they stand, so that a late one counts like any other.
"""

import ast
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MOST_LINES = 400
GROUND = {"triage.config", "triage.domain", "triage.processes"}
FLOWS = {"triage.pipeline", "triage.watch", "triage.reembed"}
# Which other rooms a room may import. `triage` itself, which anyone may import, holds the version and no more.
ROOMS = {
    "triage.domain": set(),
    "triage.processes": set(),
    "triage.config": {"triage.domain"},
    "triage.intake": GROUND,
    "triage.listen": GROUND,
    "triage.judge": GROUND,
    "triage.store": GROUND,
    "triage.sheets": GROUND | {"triage.judge", "triage.store"},
    "triage.analysis": GROUND | {"triage.intake", "triage.listen"},
    "triage.ranking": GROUND | {"triage.listen", "triage.judge", "triage.store", "triage.analysis"},
    "triage.audition": GROUND | {"triage.intake", "triage.listen", "triage.store", "triage.sheets"},
    "triage.transfer": GROUND
    | {"triage.intake", "triage.store", "triage.sheets", "triage.ranking", "triage.audition"},
    "triage.check_in": GROUND | {"triage.intake", "triage.analysis", "triage.store"},
    "triage.pipeline": GROUND
    | {"triage.intake", "triage.check_in", "triage.analysis", "triage.ranking", "triage.store"},
    "triage.watch": GROUND
    | {"triage.intake", "triage.check_in", "triage.analysis", "triage.store", "triage.pipeline"},
    "triage.reembed": GROUND
    | {"triage.intake", "triage.listen", "triage.analysis", "triage.ranking", "triage.store", "triage.pipeline"},
    "triage.desk": GROUND
    | {f"triage.{room}" for room in ("store", "sheets", "ranking", "audition", "transfer", "pipeline")},
    "triage.cli": GROUND
    | FLOWS
    | {
        f"triage.{room}" for room in ("intake", "judge", "store", "sheets", "ranking", "audition", "transfer", "desk")
    },
}
# What a room must do without: no files, no database where only arrays are worked on; no audio in the judge.
STRANGERS = {
    "triage.listen": {"soundfile", "sqlalchemy", "alembic", "wavinfo"},
    "triage.judge": {"soundfile", "sqlalchemy", "alembic", "wavinfo", "torch", "torchaudio"},
    "triage.store": {"soundfile", "torch", "torchaudio", "sklearn"},
    "triage.intake": {"sqlalchemy", "alembic", "torch", "torchaudio", "sklearn"},
}
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "triage", "training", "tests", "models", "configs"}


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {name_of(path): path for part in ("triage", "training") for path in sorted((ROOT / part).rglob("*.py"))}


def inside(name: str, room: str) -> bool:
    return name == room or name.startswith(f"{room}.")


def imports_of(path: Path) -> Iterator[str]:
    """Yield the full name of everything imported; `from triage.judge import doubt` gives triage.judge.doubt."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            package = name_of(path).split(".")
            if path.name != "__init__.py":
                package = package[:-1]
            base = package[: len(package) + 1 - node.level] if node.level else []
            whole = ".".join([*base, *([node.module] if node.module else [])])
            yield from (_module(f"{whole}.{alias.name}", whole) for alias in node.names)


def _module(name: str, parent: str) -> str:
    return name if name in MODULES else parent


def room_of(name: str) -> str | None:
    return next((room for room in ROOMS if inside(name, room)), None)


def test_all_modules_are_looked_at():
    assert {"triage.pipeline", "triage.intake.arrivals", "training.synth"} <= MODULES.keys()
    assert {name for name in MODULES if inside(name, "triage") and not room_of(name)} == {"triage"}
    assert "triage.intake.arrivals" in set(imports_of(MODULES["triage.pipeline"]))


@pytest.mark.parametrize("module", sorted(name for name in MODULES if room_of(name)))
def test_a_room_imports_only_what_the_design_allows(module):
    allowed = ROOMS[room_of(module)] | {room_of(module)}
    ours = {name for name in imports_of(MODULES[module]) if inside(name, "triage") or inside(name, "training")}
    assert {name for name in ours - {"triage"} if not any(inside(name, room) for room in allowed)} == set()


@pytest.mark.parametrize("module", sorted(name for name in MODULES if inside(name, "triage")))
def test_the_tool_never_imports_training(module):
    assert not [name for name in imports_of(MODULES[module]) if inside(name, "training")]


@pytest.mark.parametrize("room, strangers", STRANGERS.items())
def test_a_room_does_without_what_is_none_of_its_business(room, strangers):
    for module, path in MODULES.items():
        if inside(module, room):
            assert strangers & {name.split(".")[0] for name in imports_of(path)} == set(), module


def test_no_module_is_too_long_to_be_read_at_once():
    lengths = {module: len(path.read_text(encoding="utf-8").splitlines()) for module, path in MODULES.items()}
    assert {module: n for module, n in lengths.items() if n > MOST_LINES} == {}


def undocumented(tree: ast.Module) -> Iterator[str]:
    """Yield public functions, classes and methods without a docstring, and the module itself."""
    if not ast.get_docstring(tree):
        yield "module"
    waiting: list[ast.AST] = [tree]
    while waiting:
        for node in ast.iter_child_nodes(waiting.pop()):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                if node.name.startswith("_"):
                    continue
                if not ast.get_docstring(node):
                    yield node.name
                if isinstance(node, ast.ClassDef):
                    waiting.append(node)


@pytest.mark.parametrize("module", sorted(MODULES))
def test_everything_public_is_documented(module):
    assert list(undocumented(ast.parse(MODULES[module].read_text(encoding="utf-8")))) == []


def test_the_top_of_the_repository_holds_only_the_agreed_names():
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True
    )
    if listed.returncode:
        pytest.skip("not a checkout of git")
    top = {line.split("/")[0].strip('"') for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= TOP
