"""A database that goes away and comes back, and two intakes of one session at once."""

import sqlite3
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.desk.server.conftest import serve  # noqa: F401 - a fixture
from tests.faults.mill import heard, unsound
from tests.faults.test_disk import reported_in_one_line
from tests.faults.warm import Warm
from tests.postgres import Server

WAIT_S = 60.0


class Fragile(Server):
    """A server of its own, which is killed and started again at will."""

    def end(self, how: str) -> None:
        """Stop the server: "immediate" is as a crash, "fast" as an administrator does it."""
        self._control("stop", "-m", how)

    def begin(self) -> None:
        """Start it again on the same data."""
        socket = Path(self.running.get_uri().split("host=")[1])
        self._control("start", "-l", str(self.home / "data" / "log"), "-o", f'-h "" -k {socket}')

    def _control(self, *what: str) -> None:
        command = [str(self.running.bin_path / "pg_ctl"), "-w", "-D", str(self.running.pgdata), *what]
        user = self.running.system_user
        subprocess.run(command, check=True, capture_output=True, user=user, stdin=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def one_server() -> Iterator[Fragile]:
    server = Fragile()
    yield server
    server.stop()


@pytest.fixture
def fragile(one_server: Fragile) -> tuple[Fragile, str]:
    return one_server, one_server.empty_database()


@pytest.mark.parametrize("how", ["immediate", "fast"])
def test_a_database_that_goes_away_during_an_intake_costs_one_line_and_comes_back_sound(
    warm: Warm, folder, unchanged, fragile, how
):
    server, address = fragile
    assert warm.run("intake", folder, "--store", address)[0] == 0
    wanted = heard(warm.run("queue", "--format", "json", "--store", address)[1])
    assert warm.run("verdict", "T001", "reject", "--by", "anna", "--store", address)[0] == 0
    for path in sorted((folder / "audio").iterdir()):
        path.touch()
    running = warm.start("intake", folder, "--store", address)
    time.sleep(0.35)
    server.end(how)
    status = running.wait()
    assert status == 1 and reported_in_one_line(running.output), running.output
    status, output = warm.run("verdict", "T002", "accept", "--by", "anna", "--store", address)
    assert status == 1 and reported_in_one_line(output), output
    server.begin()
    assert unsound(address) == []
    status, output = warm.run("intake", folder, "--store", address)
    assert status == 0, output
    assert heard(warm.run("queue", "--format", "json", "--store", address)[1]) == wanted and unsound(address) == []
    assert '"verdict": "reject"' in warm.run("queue", "--format", "json", "--store", address)[1]


def test_a_desk_says_that_the_database_is_away_and_goes_on_when_it_is_back(
    warm: Warm,
    folder,
    unchanged,
    fragile,
    serve,  # noqa: F811
):
    server, address = fragile
    assert warm.run("intake", folder, "--store", address)[0] == 0
    anna = serve(address).person()
    verdict = {"verdict": "reject", "key": "click-0001"}
    assert anna.post("/api/takes/1/verdict", verdict).status_code == 200
    server.end("immediate")
    for answer in (anna.get("/api/takes/1"), anna.post("/api/takes/2/verdict", verdict | {"key": "click-0002"})):
        assert answer.status_code == 503 and "\n" not in answer.json()["error"]
    server.begin()
    assert anna.post("/api/takes/2/verdict", verdict | {"key": "click-0002"}).status_code == 200
    histories = [anna.get(f"/api/takes/{n}").json()["verdicts"]["history"] for n in (1, 2)]
    assert [len(history) for history in histories] == [1, 1] and unsound(address) == []


def test_two_intakes_of_one_session_at_once_come_to_what_one_comes_to(warm: Warm, folder, unchanged, address):
    assert warm.run("intake", folder, "--store", address)[0] == 0
    wanted = heard(warm.run("queue", "--format", "json", "--store", address)[1])
    for path in sorted((folder / "audio").iterdir()):
        path.touch()
    both = [warm.start("intake", folder, "--store", address) for _ in range(2)]
    assert [one.wait() for one in both] == [0, 0], [one.output for one in both]
    assert heard(warm.run("queue", "--format", "json", "--store", address)[1]) == wanted
    assert unsound(address) == []


def test_two_first_intakes_at_once_make_one_store(warm: Warm, folder, unchanged, tmp_path):
    address = f"sqlite:///{tmp_path / 'store.db'}"
    both = [warm.start("intake", folder, "--store", address) for _ in range(2)]
    assert [one.wait() for one in both] == [0, 0], [one.output for one in both]
    assert len(heard(warm.run("queue", "--format", "json", "--store", address)[1])) == 5
    assert unsound(address) == []


def test_a_sqlite_file_that_another_program_holds_is_waited_for(warm: Warm, folder, unchanged, tmp_path):
    address = f"sqlite:///{tmp_path / 'store.db'}"
    warm.run("intake", folder, "--store", address)
    with sqlite3.connect(tmp_path / "store.db", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        running = warm.start("verdict", "T001", "accept", "--by", "anna", "--store", address)
        time.sleep(0.7)
        other.execute("ROLLBACK")
    other.close()
    assert running.wait() == 0, running.output
