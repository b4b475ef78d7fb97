"""Expectations: what the judge expected of every note when its session was ranked, one row a take."""

import zlib
from collections.abc import Iterable, Mapping

from sqlalchemy import Connection, delete, insert, select

from triage.domain.judgement import ExpectedValues
from triage.store import tables

expectation, take = tables.expectation, tables.take
Expected = dict[int, dict[str, tuple[float, float, float]]]


def save_expected(
    db: Connection, session_id: int, take_ids: Mapping[str, int], expected: Iterable[ExpectedValues]
) -> None:
    """Store what was expected of a session's notes in place of what was before."""
    of_session = select(take.c.id).where(take.c.session_id == session_id)
    db.execute(delete(expectation).where(expectation.c.take_id.in_(of_session)))
    rows = [
        {"take_id": take_ids[one.take], "notes": one.notes, "names": one.names, "data": zlib.compress(one.values, 1)}
        for one in expected
    ]
    if rows:
        db.execute(insert(expectation), rows)


def find_expected(db: Connection, take_id: int) -> Expected:
    """Return note number -> measurement -> (expected, low, high end of the band); only what is known."""
    row = db.execute(select(expectation).where(expectation.c.take_id == take_id)).first()
    if row is None:
        return {}
    import numpy as np  # late: what lists takes does without

    values = np.frombuffer(zlib.decompress(row.data), "<f4").reshape(len(row.notes), len(row.names), 3)
    return {
        number: {
            name: (float(three[0]), float(three[1]), float(three[2]))
            for name, three in zip(row.names, of_note, strict=True)
            if np.isfinite(three).all()
        }
        for number, of_note in zip(row.notes, values, strict=True)
    }
