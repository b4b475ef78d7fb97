"""A key that changes with the code: what is kept from one run to the next names the code that made it."""

import hashlib
import re
from functools import cache
from pathlib import Path

PACKAGES = Path(__file__).parent.parent.parent
# A string that begins a line is a docstring; every other string is matched so that no "#" in it passes for a comment.
IGNORED = re.compile(
    r"""^\ *"{3}(?:[^\\]|\\.)*?"{3}\n | ^\ *\#[^\n]*\n | \ *\#[^\n]*$ | ^\s*\n
    | (?P<string>"{3}(?:[^\\]|\\.)*?"{3} | "(?:[^"\\\n]|\\.)*" | '(?:[^'\\\n]|\\.)*')""",
    re.MULTILINE | re.VERBOSE | re.DOTALL,
)


@cache
def code_key(*names: str) -> str:
    """Return a key of the source of packages and modules, without their docstrings, comments and empty lines.

    Parameters
    ----------
    *names : str
        Dotted names; a package stands for all modules in it.

    Returns
    -------
    str
        The same on every machine and with every version of Python. Renaming a variable changes it, too.
    """
    digest = hashlib.sha256()
    for path in sorted(path for name in names for path in _files(name)):
        digest.update(f"{path.relative_to(PACKAGES).as_posix()}\n{stripped(path.read_text('utf-8'))}".encode())
    return digest.hexdigest()[:16]


def stripped(source: str) -> str:
    """Return Python source without docstrings, comments and empty lines."""
    return IGNORED.sub(lambda found: found["string"] or "", source)


def _files(name: str) -> list[Path]:
    path = PACKAGES.joinpath(*name.split("."))
    return [*path.rglob("*.py")] if path.is_dir() else [path.with_suffix(".py")]
