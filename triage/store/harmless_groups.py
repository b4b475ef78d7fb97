"""Harmless groups of hits, in and out. Marks are only ever added; the last one on a group counts.

A group's name holds no number that a new intake or another session would change, so a mark given once holds in
every session of the store that is ranked after it.
"""

from difflib import get_close_matches

from sqlalchemy import Connection, func, insert, select

from triage.domain.errors import StoreError
from triage.domain.hit import HarmlessMark
from triage.store import tables
from triage.store.session_features import delete_features

take, hit, mark = tables.take, tables.hit, tables.mark


def record_mark(db: Connection, session_id: int, given: HarmlessMark) -> None:
    """Add one mark on a group of the session; an unknown group is an error that names the nearest."""
    if not given.by.strip():
        raise StoreError("a mark needs a name: say who gives it with --by")
    known = groups(db, session_id)
    if given.group not in known and given.group not in marks(db):
        near = get_close_matches(given.group, known, n=3, cutoff=0.4)
        there = f"nearest: {', '.join(near)}" if near else f"the session has {len(known)} groups"
        raise StoreError(f"no group of hits {given.group!r} in session {given.session}; {there}")
    db.execute(insert(mark).values(vars(given)))
    delete_features(db)  # a mark holds in every session that is ranked after it


def marks(db: Connection) -> dict[str, HarmlessMark]:
    """Return group -> the last mark on it, for every group with one."""
    last = select(func.max(mark.c.id)).group_by(mark.c.group)
    rows = db.execute(select(*(c for c in mark.c if c.name != "id")).where(mark.c.id.in_(last)).order_by(mark.c.id))
    return {row.group: HarmlessMark(**row._mapping) for row in rows}


def groups(db: Connection, session_id: int) -> dict[str, float | None]:
    """Return the groups of a session's hits and the level of each one's loudest, in order of name."""
    query = select(hit.c.group, func.max(hit.c.level_dbfs).label("loudest")).join(take, hit.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id, hit.c.group.is_not(None))
    return {row.group: row.loudest for row in db.execute(query.group_by(hit.c.group).order_by(hit.c.group))}
