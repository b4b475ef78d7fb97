"""A session, a bag, a store or a model from a stranger never runs code, and a small file never fills the memory."""

import functools
import hashlib
import io
import json
import os
import pickle
import subprocess
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import skops.io

from tests.commands import run, sqlite
from tests.noisy import ranked_store
from triage.desk.background_jobs import COMMAND
from triage.domain.errors import JudgeError
from triage.judge import doubt, model_file
from triage.judge import learned_doubt as learned
from triage.listen.encoder import load_encoder
from triage.ranking.model_in_use import model_in_use
from triage.store.engine import open_store, writing
from triage.store.models import StoredModel, add_model, use_model

NOW = datetime(2026, 3, 14, tzinfo=UTC)


class Trap:
    """Makes a file when it is unpickled, as an attacker's would run a command."""

    def __init__(self, path: Path):
        self.path = path

    def __reduce__(self):
        return os.mkdir, (str(self.path),)


@pytest.fixture
def sprung(tmp_path):
    """Return what a trap makes; at the end it must not be there."""
    path = tmp_path / "sprung"
    yield path
    assert not path.exists()


def evil_files(sprung: Path) -> dict[str, bytes]:
    """Return strange model files by what they are."""
    packed = io.BytesIO()
    evil = functools.partial(os.mkdir, str(sprung))
    skops.io.dump({"version": "x", "names": [], "classifier": evil, "certain": {}}, packed)
    pickled = pickle.dumps(Trap(sprung))
    numpy_pickle = io.BytesIO()
    np.save(numpy_pickle, np.array([Trap(sprung)], dtype=object), allow_pickle=True)
    call = {"__class__": "system", "__module__": "os", "__loader__": "FunctionNode"}
    schema = {"__class__": "dict", "__module__": "builtins", "__loader__": "ObjectNode", "content": call}
    plan = json.dumps(schema).encode()
    return {
        "a pickle": pickled,
        "a skops file of functions": packed.getvalue(),
        "nothing": b"",
        "text": b"model" * 99,
        "a zip with a pickle in it": zipped({"schema.json": plan, "1.npy": numpy_pickle.getvalue()}),
        "a zip with a pickle as its plan": zipped({"schema.json": pickled}),
        "an empty zip": zipped({}),
        "a zip without a plan": zipped({"other": b"x"}),
        "a plan without an end": zipped({"schema.json": b"[" * 200_000}),
        "a list": skops.io.dumps([1, 2]),
    }


def zipped(files: dict[str, bytes]) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(name, content)
    return data.getvalue()


def test_the_trap_springs_where_a_pickle_is_loaded(tmp_path):
    pickle.loads(pickle.dumps(Trap(tmp_path / "sprung")))  # else the tests below would show nothing
    assert (tmp_path / "sprung").is_dir()


def test_a_strange_file_is_no_model_and_one_line_says_so(sprung, tmp_path):
    for what, data in evil_files(sprung).items():
        with pytest.raises(JudgeError, match="not a model") as told:
            learned.from_bytes(data, "model x")
        assert "\n" not in str(told.value) and len(str(told.value)) < 400, what
        path = tmp_path / "doubt.skops"
        path.write_bytes(data)
        with pytest.raises(JudgeError, match="not a doubt model") as told:
            doubt.load_model(path)
        assert "\n" not in str(told.value), what


@pytest.mark.parametrize("what", ["a pickle", "text", "nothing", "a zip with a pickle in it"])
def test_a_strange_file_is_no_encoder(sprung, tmp_path, what):
    data = evil_files(sprung)[what]
    path = tmp_path / "encoder.safetensors"
    path.write_bytes(data)
    card = {"sha256": hashlib.sha256(data).hexdigest(), "name": "x", "network": {}}
    path.with_suffix(".json").write_text(json.dumps(card))
    with pytest.raises(JudgeError, match="not an encoder"):
        load_encoder(path)


def test_a_file_that_decompresses_to_gigabytes_is_refused_before_it_does():
    bomb = zipped({"schema.json": b"{}", "1.npy": bytes(model_file.MOST_BYTES + 1)})
    assert len(bomb) < 1_000_000
    with pytest.raises(JudgeError, match="decompresses to"):
        learned.from_bytes(bomb, "model x")


def test_a_store_from_a_stranger_with_an_evil_model_in_use_is_named_and_runs_nothing(sprung, tmp_path):
    data = pickle.dumps(Trap(sprung))
    with ranked_store(sqlite(tmp_path)) as (engine, _):
        card = {"form": "x", "words": 0, "sessions": []}
        stored = StoredModel("evil", NOW, "x", "ear", hashlib.sha256(data).hexdigest(), card)
        with writing(engine) as db:
            add_model(db, stored, data)
            use_model(db, "evil", NOW, "x")
            with pytest.raises(JudgeError, match="not a model"):
                model_in_use(db)
    output = run("check", "--store", sqlite(tmp_path))
    assert output.status == 3 and "model evil: not a model of this tool" in output.out
    assert run("models", "--store", sqlite(tmp_path)).status == 0
    assert run("models", "--use", "evil", "--by", "anna", "--store", sqlite(tmp_path)).status == 1


def test_a_command_of_the_desk_runs_nothing_of_the_folder_it_is_in(tmp_path):
    for name in ("numpy.py", "triage.py", "sitecustomize.py", "typer.py"):
        (tmp_path / name).write_text("import pathlib; pathlib.Path('sprung').touch()\n")
    done = subprocess.run([*COMMAND, "--version"], cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0 and done.stdout.startswith("triage ") and not (tmp_path / "sprung").exists()
    open_store(sqlite(tmp_path)).dispose()
    begun = "from triage.desk.background_jobs import _Worker\nif __name__ == '__main__': _Worker(sys.argv[1]).kill()"
    worker = [*COMMAND[:3], f"import sys\n{begun}", sqlite(tmp_path)]
    done = subprocess.run(worker, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0 and not (tmp_path / "sprung").exists(), done.stderr
