"""The versions that the tests were passed with; ``python -m tests.tested_versions`` writes them into configs/.

One line NAME==VERSION for everything that an installation with all extras draws in, for ``pip install -c``: where a
newer library misbehaves, this set is known to work. Nothing but what is installed here is looked at.
"""

import re
import tomllib
from collections.abc import Iterable
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

FILE = Path(__file__).parent.parent / "configs" / "tested_versions.txt"
PYPROJECT = FILE.parent.parent / "pyproject.toml"
PROJECT = "take-triage"
HEAD = """# The versions that all tests were passed with (Python 3.11, Linux). To install exactly these:
#   pip install -c configs/tested_versions.txt '.[postgres]'
# To look them up among known faults, where the network can be reached: pip-audit -r configs/tested_versions.txt
"""


def wanted_here() -> list[Requirement]:
    """Return what pyproject.toml asks for, all extras too."""
    project = tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]
    parts = [project["dependencies"], *project["optional-dependencies"].values()]
    return [one for lines in parts for one in map(Requirement, lines) if one.name != PROJECT]


def drawn_in(needs: Iterable[Requirement], extras: frozenset[str], found: dict[str, str]) -> None:
    """Add what is needed, and what that needs, to name -> version."""
    for wanted in needs:
        if wanted.marker and not any(wanted.marker.evaluate({"extra": extra}) for extra in (*extras, "")):
            continue
        own = canonicalize_name(wanted.name)
        try:
            version = metadata.version(wanted.name).partition("+")[0]  # without a build of one machine's
        except metadata.PackageNotFoundError:
            continue  # of another system, or an extra that is not installed here
        if own not in found or wanted.extras:
            found[own] = version
            drawn_in(map(Requirement, metadata.requires(own) or ()), frozenset(wanted.extras), found)


def text() -> str:
    """Return the file."""
    found: dict[str, str] = {}
    drawn_in(wanted_here(), frozenset(), found)
    return HEAD + "".join(f"{name}=={found[name]}\n" for name in sorted(found))


def listed() -> dict[str, str]:
    """Return name -> version as the file says."""
    lines = re.findall(r"^([a-z0-9-]+)==(\S+)$", FILE.read_text(encoding="utf-8"), re.MULTILINE)
    return dict(lines)


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
    print(f"{len(listed())} versions written to {FILE}")
