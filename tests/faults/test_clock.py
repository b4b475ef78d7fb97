"""A clock that jumps, backwards and forwards: the last word stays the last, nobody is let in for longer."""

import sys
import time
from datetime import UTC, datetime, timedelta

import pytest

from tests.commands import asked, run
from tests.faults.mill import unsound
from tests.verdicts import given_verdicts
from triage.analysis import workers
from triage.store.accounts import log_in, logged_in, save_person
from triage.store.engine import open_store, reading, writing
from triage.store.takes import find_session
from triage.transfer.fixity import open_cache


@pytest.fixture
def clock(monkeypatch):
    """Return what sets the clock: every module of this tool sees another time from then on."""

    def jump(by: timedelta) -> None:
        class Jumped(datetime):
            @classmethod
            def now(cls, tz=None):
                return datetime.now(tz) + by

        now_s = time.time
        for name, module in list(sys.modules.items()):
            if name.startswith(("triage.", "training.")) and getattr(module, "datetime", None) is not None:
                monkeypatch.setattr(module, "datetime", Jumped)
        monkeypatch.setattr("triage.transfer.receive.time.time", lambda: now_s() + by.total_seconds())

    return jump


@pytest.fixture
def store(folder, address, monkeypatch):
    monkeypatch.setattr(workers, "cores", lambda: 1)
    assert run("intake", folder, "--store", address).status == 0
    return address


def test_the_last_word_counts_whatever_its_date(store, clock, unchanged):
    for days, word in ((0, "accept"), (400, "reject"), (-4000, "unsure"), (-1, "accept")):
        clock(timedelta(days=days))
        assert run("verdict", "T001", word, "--by", "anna", "--store", store).status == 0
    queue = {take["take"]: take["verdict"] for take in asked("queue", store)["takes"]}
    assert queue["T001"] == "accept" and unsound(store) == []
    output = run("check", "--store", store)
    assert output.status == 0 and "was a clock changed?" in output.out


def test_an_intake_under_another_date_hears_nothing_anew(store, folder, clock, unchanged):
    for days in (-9000, 9000):
        clock(timedelta(days=days))
        output = run("intake", folder, "--store", store)
        assert output.status == 0 and "5 takes, 0 of them new" in output.out and unsound(store) == []


def test_a_log_in_ends_when_the_clock_says_so_and_never_lasts_longer_for_a_jump_back(tmp_path, clock):
    engine = open_store(f"sqlite:///{tmp_path / 'people.db'}")
    with writing(engine) as db:
        token = log_in(db, save_person(db, "anna", "editor").id, timedelta(hours=14))
    for hours, inside in ((13, True), (15, False), (-1, True)):
        clock(timedelta(hours=hours))
        with reading(engine) as db:
            assert (logged_in(db, token) is not None) == inside
    engine.dispose()


def test_a_hand_over_and_its_check_do_not_mind_the_clock(folder, clock, unchanged):
    assert run("handover", folder).status == 0
    for days in (-3000, 3000):
        clock(timedelta(days=days))
        output = run("receive", folder.parent / "mill-bag", "--format", "json")
        assert output.status == 0 and '"damaged": 0' in output.out and '"coming": 0' in output.out
    assert open_cache(folder).sums


def test_now_is_told_with_its_time_zone(store, clock):
    clock(timedelta(0))
    run("verdict", "T002", "accept", "--by", "anna", "--store", store)
    engine = open_store(store)
    with reading(engine) as db:
        (verdict,) = given_verdicts(db, find_session(db).id)
    engine.dispose()
    assert verdict.at.tzinfo == UTC and abs(datetime.now(UTC) - verdict.at) < timedelta(minutes=5)
