"""Leases: two people who ask at the same moment never stop each other, on both databases."""

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

from triage.domain.take import Take
from triage.store.engine import reading, writing
from triage.store.leases import give_back, lease_takes, leases
from triage.store.takes import save_take, take_ids

NOW = datetime(2026, 3, 15, 10, tzinfo=UTC)
SINCE = NOW - timedelta(seconds=60)


def test_two_who_want_each_others_takes_at_the_same_moment_both_go_on(engine, session_id):
    with writing(engine) as db:
        for name in ("T1", "T2"):
            save_take(db, session_id, Take(name, "f"))
        one, two = take_ids(db, session_id).values()
        lease_takes(db, session_id, "anna", [one], NOW, SINCE)
        lease_takes(db, session_id, "ben", [two], NOW, SINCE)

    def ben_asks_and_goes():
        with writing(engine) as db:
            lease_takes(db, session_id, "ben", [one], NOW, SINCE)
            give_back(db, session_id, "ben")

    with ThreadPoolExecutor() as pool:
        with writing(engine) as db:
            assert lease_takes(db, session_id, "anna", [two], NOW, SINCE) == set()
            asking = pool.submit(ben_asks_and_goes)
            time.sleep(0.3)  # for ben to wait, or for both to hold what the other wants
            give_back(db, session_id, "anna")
        asking.result(timeout=60)
    with reading(engine) as db:
        assert leases(db, session_id, SINCE) == ()
