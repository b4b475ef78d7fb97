"""Cached sheets: what takes long to make of a whole session, kept as one row, so that no page reads a whole table.

A sheet (noise, pickups, consistency) is JSON in one or more parts, with the numbers of change that it was made of: as
long as the session's numbers are the same it holds, whoever made it. Session 0 stands for all sessions.
"""

import json
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, select
from sqlalchemy.dialects import postgresql, sqlite

from triage.store import tables
from triage.store.changes import all_changes, changes

cached = tables.cached_sheet
ALL = 0  # in place of a session's id
LEVEL = 3  # of compression: a third of the size at little cost


@dataclass(frozen=True)
class CachedSheet:
    """One part of a sheet; ``of`` is what it was made of: numbers of change and the key."""

    what: str
    of: tuple[int, int, str]
    made_at: datetime
    cost_s: float
    body: Any


def state_of(db: Connection, session_id: int, key: str) -> tuple[int, int, str]:
    """Return what a sheet made now would be made of."""
    if session_id != ALL:
        numbers = changes(db, session_id)
        return numbers["takes"], numbers["verdicts"], key
    # Numbers only grow, so their sums change with any change of any session.
    every = all_changes(db).values()
    return sum(one["takes"] for one in every), sum(one["verdicts"] for one in every), key


def find_sheet(db: Connection, session_id: int, what: str) -> CachedSheet | None:
    """Return a part of a sheet as it was made last, whether it still holds or not."""
    row = db.execute(select(cached).where(cached.c.session_id == session_id, cached.c.what == what)).first()
    if row is None:
        return None
    return CachedSheet(row.what, _of(row), row.made_at, row.cost_s, json.loads(zlib.decompress(row.body)))


def save_sheet_parts(
    db: Connection, session_id: int, parts: Mapping[str, Any], of: tuple[int, int, str], cost_s: float
) -> None:
    """Keep a sheet in place of the one before; its parts are named WHAT and WHAT/PART."""
    what = next(iter(parts)).partition("/")[0]
    mine = (cached.c.session_id == session_id) & cached.c.what.startswith(f"{what}/")
    db.execute(delete(cached).where(mine, cached.c.what.not_in(list(parts))))
    takes, verdicts, key = of
    about = {"session_id": session_id, "takes": takes, "verdicts": verdicts, "key": key, "cost_s": cost_s}
    about["made_at"] = datetime.now(UTC)
    rows = [about | {"what": name, "body": _compressed(part)} for name, part in parts.items()]
    put = (postgresql.insert if db.dialect.name == "postgresql" else sqlite.insert)(cached)
    fresh = {column.name: put.excluded[column.name] for column in cached.c if not column.primary_key}
    # Two desks may make the same sheet at once; the later one's rows stay.
    db.execute(put.on_conflict_do_update(index_elements=["session_id", "what"], set_=fresh), rows)


def cached_state(db: Connection, sheets: Iterable[str]) -> dict[tuple[int, str], tuple[int, int, str]]:
    """Return (session id, sheet) -> what it was made of, bodies unread."""
    columns = [cached.c[name] for name in ("session_id", "what", "takes", "verdicts", "key")]
    return {
        (row.session_id, row.what): _of(row)
        for row in db.execute(select(*columns).where(cached.c.what.in_(list(sheets))))
    }


def _of(row: Row[Any]) -> tuple[int, int, str]:
    return row.takes, row.verdicts, row.key


def _compressed(part: Any) -> bytes:
    return zlib.compress(json.dumps(part, separators=(",", ":"), allow_nan=False).encode("utf-8"), LEVEL)
