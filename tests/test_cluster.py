"""Takes on a real Ray cluster of this machine, their folder on a server that speaks S3 (moto): slow, so few tests."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import boto3
import pytest
import torch
from moto import server as moto_server
from sqlalchemy import Engine

from tests.ray_work import squared
from tests.sessions import play, row, write_takes
from triage.analysis import workers
from triage.analysis.cluster import Lost, distribute
from triage.analysis.remote_folder import at_hand, fetched, is_remote
from triage.domain.errors import ConfigError
from triage.listen.encoder import EncoderShape, Network, TrainedEncoder
from triage.pipeline import take_in
from triage.reembed import reembed
from triage.store.arrivals import arrivals
from triage.store.engine import open_store, reading
from triage.store.hits import hits
from triage.store.notes import embeddings, encoders, notes
from triage.store.ranking import queue
from triage.store.takes import find_session

PITCHES = (55, 58)
TAKES = {f"T00{k}": k for k in (1, 2, 3)}
KEYS = {"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_DEFAULT_REGION": "eu-central-1"}
pytestmark = [
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),  # theirs, not ours
    pytest.mark.filterwarnings("ignore::FutureWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    takes = {name: play(PITCHES, seed) for name, seed in TAKES.items()}
    made = write_takes(tmp_path_factory.mktemp("day") / "mill", takes, [row(name, PITCHES, 1) for name in TAKES])
    broken = made / "audio" / "T003_room.wav"
    os.truncate(broken, broken.stat().st_size // 2)
    return made


@pytest.fixture(scope="module")
def bucket(folder: Path) -> Iterator[str]:
    """Return the address of the session on an S3-compatible server."""
    server = moto_server.ThreadedMotoServer(port=0)
    server.start()
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {**KEYS, "AWS_ENDPOINT_URL": "http://{}:{}".format(*server.get_host_and_port())}.items():
            patch.setenv(name, value)
        client = boto3.client("s3")
        client.create_bucket(Bucket="hall", CreateBucketConfiguration={"LocationConstraint": "eu-central-1"})
        for path in sorted(folder.rglob("*.*")):
            client.upload_file(str(path), "hall", f"days/mill/{path.relative_to(folder).as_posix()}")
        yield "s3://hall/days/mill"
    server.stop()


def joinable(address: str) -> str:
    until_s = time.monotonic() + 240  # on a machine that does much else
    while True:
        try:
            assert list(distribute(squared, [(2, "")], address)) == [((2, ""), 4)]
            return address
        except ConfigError:
            assert time.monotonic() < until_s
            time.sleep(0.5)


@pytest.fixture(scope="module")
def cluster(bucket: str) -> Iterator[str]:
    """Start a cluster of two cores, as somebody would on a machine of their own; return its address."""
    home = tempfile.mkdtemp(prefix="ray", dir="/tmp")  # the paths of its sockets must be short
    port = 6399
    command = [sys.executable, "-m", "ray.scripts.scripts", "start", "--head", "--block", f"--port={port}"]
    command += ["--num-cpus=2", "--include-dashboard=false", "--disable-usage-stats", f"--temp-dir={home}"]
    command += ["--object-store-memory=100000000"]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent.parent), "RAY_AUTH_MODE": "disabled"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("RAY_AUTH_MODE", "disabled")
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        process = subprocess.Popen(command, env=environment, start_new_session=True, **quiet)
        try:
            yield joinable(f"127.0.0.1:{port}")
        finally:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(30)
            shutil.rmtree(home, ignore_errors=True)


@pytest.fixture
def stored(tmp_path: Path) -> Iterator[list[Engine]]:
    engines = [open_store(f"sqlite:///{tmp_path / name}.db") for name in ("one", "other")]
    yield engines
    for engine in engines:
        engine.dispose()


def held(engine: Engine) -> dict:
    """Return all that a store holds of its session and that analysis and ranking found."""
    with reading(engine) as db:
        session = find_session(db)
        vectors = {name: embeddings(db, session.id, name)[1].tobytes() for name in encoders(db, session.id)}
        return {
            "queue": queue(db, session.id),
            "notes": notes(db, session.id),
            "hits": hits(db, session.id),
            "vectors": vectors,
            "arrivals": arrivals(db, session.id).entries,
        }


def kill_one(name: str) -> bool:
    """Kill a worker of that title, wherever it is in its work; return whether there was one."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            if name.encode() in path.read_bytes():
                os.kill(int(path.parent.name), signal.SIGKILL)
                return True
        except OSError:
            continue
    return False


def test_an_object_store_and_a_cluster_that_stops_and_loses_a_worker_give_the_same_to_the_last_digit(
    folder, bucket, cluster, stored, monkeypatch
):
    here, there = stored
    monkeypatch.setattr(workers, "cores", lambda: 1)
    summary = take_in(folder, here)
    killed = []

    def end(what: str, done: int, total: int) -> None:
        if what == "listening":
            raise KeyboardInterrupt

    def kill_once(what: str, done: int, total: int) -> None:
        if what == "listening" and not killed:
            killed.append(kill_one("ray::analysed"))

    with pytest.raises(KeyboardInterrupt):
        take_in(bucket, there, end, cluster)
    far = take_in(bucket, there, kill_once, cluster)  # goes on where it was
    assert (summary.takes, summary.new_takes) == (3, 3) and (far.takes, far.new_takes) == (3, 2)
    assert far.needs_person
    assert killed and held(here) == held(there)  # with the broken file among the arrivals
    with reading(there) as db:
        assert find_session(db).folder == bucket
    again = take_in(bucket, there, cluster=cluster)
    assert again.new_takes == 0  # nothing was kept from being known


def test_a_job_whose_worker_was_killed_is_done_again_and_one_that_kills_every_worker_stops_nothing(cluster, tmp_path):
    jobs = [(number, str(tmp_path)) for number in (1, 5, 3, 2)]

    def kill() -> None:
        while not (tmp_path / "pid").exists():
            time.sleep(0.05)
        os.kill(int((tmp_path / "pid").read_text()), signal.SIGKILL)

    killing = threading.Thread(target=kill)
    killing.start()
    found = {job[0]: result for job, result in distribute(squared, jobs, cluster)}
    killing.join()
    assert {number: result for number, result in found.items() if number != 5} == {1: 1, 2: 4, 3: 9}
    assert isinstance(found[5], Lost) and "Worker" in str(found[5])


def test_a_library_seen_by_an_older_encoder_is_looked_at_again(folder, cluster, stored, monkeypatch):
    old, new = stored
    monkeypatch.setattr(workers, "cores", lambda: 1)
    torch.manual_seed(1)
    older = TrainedEncoder(Network(EncoderShape()), "older")
    with monkeypatch.context() as patch:
        patch.setattr("triage.analysis.take.encoder_in_use", lambda: older)
        take_in(folder, old)
    take_in(folder, new)
    assert held(old)["vectors"].keys() != held(new)["vectors"].keys()
    told = list(reembed(old, ["mill-day2-b"], lambda *_: None, cluster))
    assert told == [("mill-day2-b", 3, [])]
    assert held(old) == held(new)
    assert take_in(folder, old).new_takes == 0
    assert list(reembed(old, ["mill-day2-b"], lambda *_: None)) == [("mill-day2-b", 0, [])]


def test_the_outline_of_a_far_folder_holds_no_audio_and_a_take_is_fetched_whole(folder, bucket, monkeypatch):
    assert is_remote(bucket) and not is_remote(folder)
    monkeypatch.setattr("triage.analysis.remote_folder.HEAD_BYTES", 4_096)
    monkeypatch.setattr("triage.analysis.remote_folder.TAIL_BYTES", 4_096)
    whole = (folder / "audio" / "T001_close.wav").read_bytes()
    from tests.test_file_pass import called  # the roll of one take

    with at_hand(bucket) as place:
        outlined = (place.folder / "audio" / "T001_close.wav").read_bytes()
        assert len(outlined) == len(whole) and outlined[:4096] == whole[:4096] and outlined[-4096:] == whole[-4096:]
        assert not any(outlined[4096:-4096])
        (place.folder / "take_sheet.csv").write_text(
            (folder / "take_sheet.csv").read_text().splitlines()[0] + "\n" + row("T001", PITCHES, 1) + "\n"
        )
        for path in (place.folder / "audio").glob("T00[23]*"):
            path.unlink()
        take = called(place.folder)
        with fetched(take, place.address) as (_, home):
            assert (home / "audio" / "T001_close.wav").read_bytes() == whole
    assert not place.folder.exists() and not home.exists()


@pytest.mark.parametrize("address", ["s3://hall/nowhere", "s3://no-such-bucket/x", "nothing://at/all"])
def test_an_address_that_holds_no_session_is_said_in_one_line(bucket, address, stored):
    with pytest.raises(ConfigError, match=address) as told:
        take_in(address, stored[0])
    assert "\n" not in str(told.value)


def test_a_cluster_that_nobody_answers_for_is_said_in_one_line(folder, stored):
    with pytest.raises(ConfigError, match=r"no cluster at 127\.0\.0\.1:1 ") as told:
        take_in(folder, stored[0], cluster="127.0.0.1:1")
    assert "\n" not in str(told.value)
