"""Tracking: one MLflow run for each training, in a folder beside what was trained unless MLFLOW_TRACKING_URI is set.

What is tracked never decides anything, the model registry least of all: which version is in use, the store says.
Where the tracking store cannot be reached, the training goes on and reports it.
"""

import logging
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL

FOLDER = "runs"  # what is made locally: FOLDER/mlflow.db and the files of runs
Problems = list[str]


class Run:
    """One run: numbers, texts and files by name; without a tracking store it does nothing."""

    def __init__(self, client: Any, run_id: str | None, problems: Problems) -> None:
        self._client, self.run_id, self.problems = client, run_id, problems

    def numbers(self, values: Mapping[str, float], step: int = 0) -> None:
        """Track numbers by name."""
        for name, value in values.items():
            self._try(lambda n=name, v=value: self._client.log_metric(self.run_id, n, float(v), step=step))

    def settings(self, values: Mapping[str, Any]) -> None:
        """Track what the run was made with."""
        for name, value in _flat(values):
            self._try(lambda n=name, v=value: self._client.log_param(self.run_id, n, str(v)[:500]))

    def text(self, name: str, content: str) -> None:
        """Keep a text file with the run."""
        self._try(lambda: self._client.log_text(self.run_id, content, name))

    def file(self, path: Path) -> None:
        """Keep a file with the run."""
        self._try(lambda: self._client.log_artifact(self.run_id, str(path)))

    def register(self, name: str, file: str, note: str) -> str | None:
        """Register a file of the run as the next version of a model and return the version's number."""
        made: list[str] = []

        def add() -> None:
            if not self._client.search_registered_models(filter_string=f"name = '{name}'"):
                self._client.create_registered_model(name)
            source = f"{self._client.get_run(self.run_id).info.artifact_uri}/{file}"
            found = self._client.create_model_version(name, source, self.run_id, description=note)
            made.append(str(found.version))

        self._try(add)
        return made[0] if made else None

    def _try(self, act: Any) -> None:
        if self.run_id is None:
            return
        try:
            act()
        except Exception as error:  # a server gone in the middle must not cost the model
            self.problems.append(_line(error))
            self.run_id = None


def folder_beside(store: URL) -> Path:
    """Return where the runs of a store are kept: beside a SQLite file, else in the folder of the user's data."""
    if store.get_backend_name() == "sqlite" and store.database and store.database != ":memory:":
        file = Path(store.database).absolute()
        return file.parent / f"{file.stem}-{FOLDER}"
    data = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return data / "take-triage" / f"{store.host or 'store'}-{store.database or ''}-{FOLDER}"


@contextmanager
def tracked(experiment: str, name: str, folder: Path) -> Iterator[Run]:
    """Open a run of an experiment and close it with how it ended; ``folder`` is for runs that no server keeps."""
    problems: Problems = []
    run = _open(experiment, name, folder, problems)
    own_id, ended = run.run_id, "FAILED"
    try:
        yield run
        ended = "FINISHED"
    finally:
        if own_id is not None and run.run_id is not None:
            run._try(lambda: run._client.set_terminated(own_id, ended))


def _open(experiment: str, name: str, folder: Path, problems: Problems) -> Run:
    os.environ.setdefault("MLFLOW_HTTP_REQUEST_MAX_RETRIES", "1")
    os.environ.setdefault("MLFLOW_HTTP_REQUEST_TIMEOUT", "10")
    try:
        from mlflow.tracking import MlflowClient

        logging.getLogger("mlflow").setLevel(logging.WARNING)  # how it makes its own tables is no news
        address, files = os.environ.get("MLFLOW_TRACKING_URI"), None
        if not address or address.startswith("sqlite:"):  # else MLflow keeps files in the current folder
            folder.mkdir(parents=True, exist_ok=True)
            address, files = address or f"sqlite:///{folder / 'mlflow.db'}", (folder / "files").as_uri()
        client = MlflowClient(address)
        found = client.get_experiment_by_name(experiment)
        own = found.experiment_id if found else client.create_experiment(experiment, files)
        return Run(client, client.create_run(own, run_name=name).info.run_id, problems)
    except Exception as error:  # MLflow and its drivers raise of every kind
        problems.append(_line(error))
        return Run(None, None, problems)


def _line(error: Exception) -> str:
    text = " ".join(str(error).split())[:160]
    where = os.environ.get("MLFLOW_TRACKING_URI") or "the folder of runs"
    return f"the run is not tracked any further: {where} does not answer ({type(error).__name__}: {text})"


def _flat(values: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in values.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{name}.")
        else:
            yield f"{above}{name}", value
