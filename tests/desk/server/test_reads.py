"""No page and nothing that pages fetch reads a whole table: every question is put to the database's own planner.

SQLite: EXPLAIN QUERY PLAN, where SCAN is a whole table or a whole index. PostgreSQL: EXPLAIN with sequential scans
made unattractive, so that one is left only where no index serves; an index without a condition is read whole too.
"""

import re
from collections.abc import Iterator

import pytest
from sqlalchemy import event

from triage.desk.background_jobs import make_sheet
from triage.desk.sheet_views import SHEETS

LARGE = (
    "take",
    "track",
    "note",
    "embedding",
    "hit",
    "spot",
    "floor",
    "verdict",
    "retraction",
    "preview",
    "choice",
    "sheet_row",
    "arrival",
    "problem",
)
PATHS = (
    "/",
    "/s/1/queue",
    "/s/1/disputes",
    "/s/1/queue/list",
    "/s/1/queue/list?show=all&q=t&pitch=C4&kind=length&mic=room&person=anna&sort=recorded&page=2",
    "/s/1/queue/list?instrument=horn&dynamic=ff&sort=take",
    "/s/1/queue/list?show=disputed",
    "/s/1/arrivals",
    "/s/1/played",
    "/s/1/noise",
    "/s/1/consistency",
    "/s/1/pickups",
    "/s/1/keepers",
    "/models",
    "/keys",
    "/sign-in",
    "/api/sessions",
    "/api/s/1/next?n=3",
    "/api/s/1/left",
    "/api/s/1/list",
    "/api/s/1/change",
    "/api/s/1/consistency",
    "/api/me",
    "/api/takes/1",
    "/api/takes/1/notes/1/neighbours",
    "/api/takes/1/notes/1/curves/close",
    "/api/takes/1/picture/close",
    "/api/takes/1/wave/close",
    "/api/takes/1/pitch",
    "/audio/takes/1/close?end_s=0.5",
    "/audio/takes/1/notes/1/close?like_take=2&like_note=1",
)


def read_whole(engine, statement, parameters) -> list[str]:
    """Return the large tables that a question reads from end to end."""
    with engine.connect() as db:
        if engine.dialect.name == "sqlite":
            steps = db.exec_driver_sql("EXPLAIN QUERY PLAN " + statement, parameters)
            found = [match[1] for step in steps if (match := re.match(r"SCAN (\w+)", step[-1]))]
        else:
            db.exec_driver_sql("SET LOCAL enable_seqscan = off")
            (plan,) = db.exec_driver_sql("EXPLAIN (FORMAT JSON) " + statement, parameters).scalar_one()
            found = list(scanned(plan["Plan"]))
    return [table for table in found if table in LARGE]


def scanned(node) -> Iterator[str]:
    # A bitmap's condition stands with the index below it.
    kind, below = node["Node Type"], node.get("Plans", ())
    asked = kind != "Seq Scan" and any("Index Cond" in one for one in (node, *below))
    if "Relation Name" in node and not asked:
        yield node["Relation Name"]
    for one in node.get("Plans", ()):
        yield from scanned(one)


def test_no_page_reads_a_whole_table(either_desk):
    engine = either_desk.server.config.app.state.desk.engine
    for what in SHEETS:
        make_sheet(engine, what, 1)
    anna, asked = either_desk.person(role="producer"), {}

    def note(connection, cursor, statement, parameters, context, many):
        if statement.lstrip().upper().startswith(("SELECT", "WITH")):
            asked.setdefault(statement, (parameters, path))

    event.listen(engine, "before_cursor_execute", note)
    for path in PATHS:
        assert anna.get(path).status_code == 200, path
    event.remove(engine, "before_cursor_execute", note)
    assert len(asked) > 30
    found = [
        (path, table, statement)
        for statement, (parameters, path) in asked.items()
        for table in read_whole(engine, statement, parameters)
    ]
    assert found == []


@pytest.mark.parametrize("statement", ["SELECT count(*) FROM note", "SELECT name FROM take WHERE remark = 'x'"])
def test_a_question_that_reads_a_whole_table_would_be_found(either_desk, statement):
    assert read_whole(either_desk.server.config.app.state.desk.engine, statement, ()) == [statement.split()[3]]
