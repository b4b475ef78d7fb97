"""The command line called from a test, in this process."""

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from triage.cli import main as cli


class Output(NamedTuple):
    """What a command left behind."""

    status: int
    out: str
    err: str


def run(*arguments: object) -> Output:
    """Run `triage` with these arguments."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as left:
        cli.main([str(argument) for argument in arguments])
    return Output(int(left.value.code or 0), out.getvalue(), err.getvalue())


def asked(what: str, store: str) -> dict[str, Any]:
    """Return what a listing gives as JSON: all of stdout, or it is no JSON."""
    output = run(what, "--format", "json", "--store", store)
    assert output.status in (0, 3) and output.err == ""
    return json.loads(output.out)


def sqlite(folder: Path, name: str = "store") -> str:
    """Return the address of a store in a folder."""
    return f"sqlite:///{folder / name}.db"
