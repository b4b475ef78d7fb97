"""The key of the code changes with what the code does, and with nothing else."""

import ast
import time
from pathlib import Path

import pytest

from triage.domain.code_key import PACKAGES, code_key, stripped

MODULES = sorted((PACKAGES / "triage").rglob("*.py"))


def without_docstrings(tree: ast.Module) -> str:
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            if ast.get_docstring(node, clean=False) is not None:
                node.body = node.body[1:] or [ast.Pass()] * (not isinstance(node, ast.Module))
    return ast.dump(tree)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGES).as_posix())
def test_stripping_leaves_the_code_and_takes_every_docstring_and_comment(path: Path):
    source = path.read_text(encoding="utf-8")
    # A body of nothing but a docstring is no Python once stripped.
    parsed = ast.parse("".join(f"{line}\n" for line in _filled(stripped(source))))
    assert without_docstrings(parsed) == without_docstrings(ast.parse(source)) and ast.get_docstring(parsed) is None


def _filled(source: str) -> list[str]:
    """Return lines with ``pass`` in bodies that stripping has emptied."""
    lines, out = source.splitlines(), []
    for line, after in zip(lines, [*lines[1:], ""], strict=False):
        out.append(line)
        indent = len(line) - len(line.lstrip())
        opens = line.lstrip().startswith(("class ", "def ", "async def ")) or line.strip() in (") -> None:", "):")
        if opens and line.endswith(":") and len(after) - len(after.lstrip()) <= indent:
            out.append(" " * (indent + 4) + "pass")
    return out


def test_a_comment_changes_nothing_and_a_number_does():
    plain = 'def f():\n    return 440  # Hz\n\n\n# A line.\nX = "C#"\n'
    assert stripped(plain) == stripped('"""Of f."""\ndef f():\n    """Return it."""\n    return 440\nX = "C#"\n')
    assert stripped(plain) != stripped(plain.replace("440", "442"))


def test_a_key_is_of_what_it_names_alone_and_quick():
    code_key.cache_clear()
    started_s = time.perf_counter()
    keys = [code_key("triage.listen", "triage.analysis"), code_key("triage.listen"), code_key("triage.domain.pitch")]
    assert time.perf_counter() - started_s < 0.3  # a tenth of it on a quiet machine
    assert len(set(keys)) == 3 and code_key("triage.analysis", "triage.listen") == keys[0]
