"""The commands that open the desk and say who may come to it."""

import io
import os
import signal
import socket
import subprocess
import sys
import time

import httpx
import pytest

from tests.commands import asked, run, sqlite
from triage.desk.people import is_password
from triage.store.accounts import find_person, password_hash
from triage.store.engine import open_store, reading

SECRET = "a long enough password"


@pytest.fixture
def store(tmp_path):
    address = sqlite(tmp_path)
    open_store(address).dispose()
    return address


def typed(monkeypatch, line: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(line))


def test_an_account_is_made_listed_changed_and_ended(store, monkeypatch):
    typed(monkeypatch, SECRET + "\n")
    output = run("people", "anna", "--role", "editor", "--password-stdin", "--store", store)
    assert output.status == 0 and SECRET not in output.out + output.err
    assert asked("people", store) == {"people": [{"name": "anna", "role": "editor", "account": True}]}
    typed(monkeypatch, "another long password\n")
    assert run("people", "Anna", "--role", "producer", "--password-stdin", "--store", store).status == 0
    assert asked("people", store)["people"] == [{"name": "anna", "role": "producer", "account": True}]
    engine = open_store(store)
    with reading(engine) as db:
        hashed = password_hash(db, find_person(db, "anna").id)
    engine.dispose()
    assert is_password(hashed, "another long password") and not is_password(hashed, SECRET)
    assert run("people", "anna", "--remove", "--store", store).status == 0
    assert asked("people", store) == {"people": []}


@pytest.mark.parametrize(
    "arguments, line, message",
    [
        (("anna",), SECRET, "give a role: triage people anna --role editor"),
        (("anna", "--role", "boss"), SECRET, "role 'boss' is none of editor, producer, engineer, lead"),
        (("anna", "--role", "editor"), "short", "the password has 5 characters; 10 to 200 are wanted"),
        (("anna", "--remove"), "", "nobody is called 'anna'"),
        ((), "", "say whose account it is"),
    ],
)
def test_what_cannot_be_done_is_one_line(store, monkeypatch, arguments, line, message):
    typed(monkeypatch, line)
    found = run("people", *arguments, "--password-stdin", "--store", store)
    assert found.status == 1 and message in found.err and found.err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments, message",
    [
        (("--host", "0.0.0.0"), "nobody has an account"),
        (("--host", "192.0.2.1"), "nobody has an account"),
        (("--name", "desk.example"), "nobody has an account"),
        (("--certificate", "a.pem"), "go together"),
        (("--certificate", "a.pem", "--certificate-key", "b.pem"), "a.pem: no such file"),
    ],
)
def test_a_desk_that_should_not_open_says_why(store, arguments, message):
    found = run("desk", *arguments, "--store", store)
    assert found.status == 1 and message in found.err and found.err.count("\n") == 1


def test_a_desk_without_a_store_or_on_a_port_that_is_taken_says_so(store, tmp_path):
    found = run("desk", "--store", sqlite(tmp_path, "none"))
    assert found.status == 1 and "no store there" in found.err
    with socket.create_server(("127.0.0.1", 0)) as taken:
        found = run("desk", "--port", taken.getsockname()[1], "--store", store)
    assert found.status == 1 and "cannot be served (Address already in use)" in found.err


def test_the_desk_opens_says_where_and_ends_at_ctrl_c(store):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    command = [sys.executable, "-c", "from triage.cli.main import main; main()", "desk"]
    command += ["--port", str(port), "--store", store]
    desk = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONWARNINGS": "error"})
    try:
        assert desk.stderr is not None
        line = desk.stderr.readline()
        assert f"http://127.0.0.1:{port}/" in line and "mind your ears" in line
        until_s = time.monotonic() + 30
        while time.monotonic() < until_s:
            try:
                answer = httpx.get(f"http://127.0.0.1:{port}/sign-in")
                break
            except httpx.TransportError:
                time.sleep(0.05)
        assert answer.status_code == 200
        desk.send_signal(signal.SIGINT)
        assert desk.wait(20) in (0, 130, -signal.SIGINT)
        assert "Traceback" not in desk.stderr.read()
    finally:
        desk.kill()
        desk.wait()
        desk.stderr.close()
