"""Corrections of hits, in and out. They are only ever added; the last one on a hit counts.

A correction names its take, time and sound, not a row: hits are made anew with every analysis, and a correction also
teaches how to read hits that sound alike (``judge/learned_hits.py``).
"""

from sqlalchemy import Connection, insert, select

from triage.domain.errors import StoreError
from triage.domain.hit import HitCorrection
from triage.domain.kinds import NOISES
from triage.store import tables
from triage.store.session_features import delete_features

correction = tables.hit_correction


def record_correction(db: Connection, given: HitCorrection) -> None:
    """Add one correction; rank the session again afterwards, and others when they are next ranked."""
    if not given.by.strip():
        raise StoreError("a correction needs a name: say who gives it")
    if given.right_kind is not None and given.right_kind not in NOISES:
        raise StoreError(f"no kind of noise {given.right_kind!r}; known: {', '.join(NOISES)}")
    if not 0 <= given.right_start_s < given.right_end_s:
        raise StoreError(f"a hit from {given.right_start_s:g} to {given.right_end_s:g} s has no length")
    db.execute(insert(correction).values(vars(given) | {"sound": list(given.sound)}))
    delete_features(db)  # it holds in every session that is ranked after it


def hit_corrections(db: Connection) -> list[HitCorrection]:
    """Return all corrections of the store in the order given."""
    columns = [column for column in correction.c if column.name != "id"]
    rows = db.execute(select(*columns).order_by(correction.c.id))
    return [HitCorrection(**dict(row._mapping) | {"sound": tuple(row.sound)}) for row in rows]
