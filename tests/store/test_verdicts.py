"""Verdicts are only ever added to, and one that cannot be right is refused."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import delete
from sqlalchemy.exc import IntegrityError

from tests.verdicts import given_verdicts
from triage.domain.errors import StoreError
from triage.domain.note import Note
from triage.domain.take import Take
from triage.domain.verdict import Verdict
from triage.store import tables
from triage.store.engine import reading, writing
from triage.store.takes import save_take
from triage.store.verdicts import record_verdict

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


@pytest.fixture
def one_take(engine, session_id):
    with writing(engine) as db:
        pair = tuple(Note(n, n, n + 1) for n in (1, 2))
        save_take(db, session_id, Take("T001", "f", notes=pair))
        save_take(db, session_id, Take("T002", "f"))
    return session_id


def test_verdicts_stay_in_the_order_given(engine, one_take):
    given = (
        Verdict("T001", "reject", "anna", NOON, 2, "cracked"),
        Verdict("T002", "accept", "ben", NOON),
        Verdict("T001", "accept", "anna", NOON - timedelta(days=1)),
    )
    with writing(engine) as db:
        for one in given:
            record_verdict(db, one_take, one)
    with reading(engine) as db:
        assert given_verdicts(db, one_take) == given
        assert given_verdicts(db, one_take, "T001") == (given[0], given[2])


def test_a_moment_in_another_time_zone_is_kept_in_utc(engine, one_take):
    there = datetime(2026, 3, 14, 7, tzinfo=timezone(timedelta(hours=-5)))
    with writing(engine) as db:
        record_verdict(db, one_take, Verdict("T001", "unsure", "anna", there))
    with reading(engine) as db:
        (found,) = given_verdicts(db, one_take)
    assert found.at == NOON and found.at.utcoffset() == timedelta(0)


@pytest.mark.parametrize(
    "given, message",
    [
        (Verdict("T01", "accept", "anna", NOON), "no take 'T01'; nearest: T001"),
        (Verdict("T001", "great", "anna", NOON), "'great' is none of accept, reject, unsure"),
        (Verdict("T001", "accept", " ", NOON), "--by"),
        (Verdict("T001", "accept", "anna", NOON, note=3), "T001 has no note 3: its notes are 1 to 2"),
        (Verdict("T002", "accept", "anna", NOON, note=1), "no notes were found in it"),
    ],
)
def test_a_verdict_that_cannot_be_right_is_refused(engine, one_take, given, message):
    with writing(engine) as db, pytest.raises(StoreError, match=message):
        record_verdict(db, one_take, given)
    with reading(engine) as db:
        assert given_verdicts(db, one_take) == ()


def test_the_database_itself_holds_a_take_with_a_verdict_fast(engine, one_take):
    with writing(engine) as db:
        record_verdict(db, one_take, Verdict("T001", "accept", "anna", NOON))
    with pytest.raises(IntegrityError), writing(engine) as db:
        db.execute(delete(tables.session))
    with reading(engine) as db:
        assert len(given_verdicts(db, one_take)) == 1
