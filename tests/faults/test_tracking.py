"""MLflow unreachable, silent or gone in the middle: the model is kept and used all the same, and one line says so."""

import socket

import pytest

from tests.faults.kills import Place, small_recipe, told
from tests.faults.mill import unsound


@pytest.fixture
def silent():
    """Return the address of a server that takes a connection and never answers."""
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen()
        yield f"http://127.0.0.1:{door.getsockname()[1]}"


@pytest.mark.parametrize("server", ["refused", "silent", "unwritable"])
def test_a_training_needs_no_tracking_server(sqlite_place: Place, silent, server):
    place, wait = sqlite_place, {"MLFLOW_HTTP_REQUEST_TIMEOUT": "1", "MLFLOW_HTTP_REQUEST_MAX_RETRIES": "0"}
    told(place.address)
    address = {"refused": "http://127.0.0.1:9", "silent": silent, "unwritable": "sqlite:////proc/none/runs.db"}[
        server
    ]
    env = wait | {"MLFLOW_TRACKING_URI": address}
    train = (
        "retrain",
        "--thorough",
        "--config",
        small_recipe(place.home),
        "--use",
        "--by",
        "anna",
        "--store",
        place.address,
    )
    status, output = place.warm.run(*train, env=env, cwd=str(place.home))
    assert status == 0, output
    assert "put to use" in output and "Traceback" not in output
    assert "the run is not tracked any further" in output
    assert unsound(place.address) == []
    status, output = place.warm.run("models", "--store", place.address)
    assert status == 0 and output.startswith("verdicts-")
