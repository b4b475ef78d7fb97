"""Random order and flags: an older store gets them as if it had always had them, and a take keeps its place."""

from datetime import UTC, datetime

from sqlalchemy import text

from tests.store.test_review import four, give_verdict  # noqa: F401
from triage.domain.take import Take
from triage.store import schema
from triage.store.engine import open_store, reading, upgrade_store, writing
from triage.store.metadata import metadata
from triage.store.review import take_page
from triage.store.review_sampling import next_in_random_order, reviewed_takes
from triage.store.takes import find_take, random_order_of, save_take

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


def test_a_take_keeps_its_random_order_when_it_is_taken_in_again(engine, session_id):
    with writing(engine) as db:
        save_take(db, session_id, Take("T1", "a"))
        first = find_take(db, session_id, "T1").random_order
        save_take(db, session_id, Take("T1", "b"))
        assert find_take(db, session_id, "T1").random_order == first == random_order_of(session_id, "T1")


def test_random_orders_are_uniform_and_not_the_same_in_another_session():
    orders = sorted(random_order_of(1, f"T{i:04}") for i in range(2000))
    counts = [sum(k / 10 <= order < (k + 1) / 10 for order in orders) for k in range(10)]
    assert sum((count - 200) ** 2 / 200 for count in counts) < 27.9  # chi-square, 9 degrees of freedom, p = 0.001
    assert random_order_of(1, "T0001") != random_order_of(2, "T0001")


def test_a_settled_reject_is_known_as_one_and_an_undecided_take_is_not(engine, four):  # noqa: F811
    give_verdict(engine, four, "T1", "reject", "anna")
    give_verdict(engine, four, "T2", "accept", "anna", note=1)
    give_verdict(engine, four, "T2", "accept", "anna")
    give_verdict(engine, four, "T3", "reject", "anna", note=2)
    give_verdict(engine, four, "T3", "accept", "anna")
    give_verdict(engine, four, "T4", "reject", "anna")
    give_verdict(engine, four, "T4", "accept", "ben")
    with reading(engine) as db:
        found = {one.name: one.rejected for one in take_page(db, four, "all", 0, 10)[0]}
        assert reviewed_takes(db, four) == {"T1", "T2", "T3", "T4"}
    assert found == {"T1": True, "T2": False, "T3": True, "T4": False}


def test_an_upgraded_store_knows_its_random_orders_and_its_rejects(address):
    engine = open_store(address)
    with writing(engine) as db:
        metadata.drop_all(db)
        db.execute(text("DROP TABLE alembic_version"))
    with writing(engine) as db:
        schema.migrate(db, "0005")
        db.execute(
            text(
                "INSERT INTO session (id, name, folder, date, a4_hz, taken_in_at) "
                "VALUES (1, 's', 'f', '2026-03-14', 442, '2026-03-14 10:00:00')"
            )
        )
        for n, word in enumerate(("reject", "accept", "unsure"), 1):
            db.execute(
                text(
                    "INSERT INTO take (id, session_id, name, expected_pitches, listened, rank, heard, settled) "
                    f"VALUES ({n}, 1, 'T{n}', '[]', true, {n}, true, {'true' if n < 3 else 'false'})"
                )
            )
            db.execute(
                text(
                    'INSERT INTO verdict (take_id, verdict, "by", at) '
                    "VALUES (:n, :word, 'anna', '2026-03-14 12:00:00')"
                ),
                {"n": n, "word": word},
            )
        db.execute(
            text(
                "INSERT INTO take (id, session_id, name, expected_pitches, listened, rank) "
                "VALUES (4, 1, 'T4', '[]', true, 4)"
            )
        )
    engine.dispose()
    assert upgrade_store(address)[0] == "0005"
    engine = open_store(address)
    with reading(engine) as db:
        found = {one.name: (one.random_order, one.rejected) for one in take_page(db, 1, "all", 0, 10)[0]}
        assert [one.name for one in next_in_random_order(db, 1, 9)] == ["T4"]
    engine.dispose()
    assert found == {f"T{n}": (random_order_of(1, f"T{n}"), n == 1) for n in range(1, 5)}
