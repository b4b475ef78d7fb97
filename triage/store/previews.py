"""Previews: what the desk draws of a track, encoded at intake, so that no page waits for a recording."""

from collections.abc import Iterable

from sqlalchemy import Connection, delete, insert, select

from triage.domain.preview import Preview
from triage.store import tables

preview = tables.preview


def save_previews(db: Connection, take_id: int, records: Iterable[Preview]) -> None:
    """Store the pictures of a take in place of those before."""
    db.execute(delete(preview).where(preview.c.take_id == take_id))
    if rows := [{"take_id": take_id, **vars(record)} for record in records]:
        db.execute(insert(preview), rows)


def find_preview(db: Connection, take_id: int, mic: str) -> Preview | None:
    """Return what is drawn of one track, if anything was made of it."""
    columns = [column for column in preview.c if column.name != "take_id"]
    row = db.execute(select(*columns).where(preview.c.take_id == take_id, preview.c.mic == mic)).first()
    return None if row is None else Preview(**row._mapping)


def drawn_mics(db: Connection, take_id: int) -> tuple[str, ...]:
    """Return the microphones of a take that there are pictures of."""
    return tuple(db.scalars(select(preview.c.mic).where(preview.c.take_id == take_id).order_by(preview.c.mic)))


def pitch_contours(db: Connection, take_id: int) -> bytes | None:
    """Return the encoded pitch contours of a take's notes."""
    query = select(preview.c.contours).where(preview.c.take_id == take_id, preview.c.contours.is_not(None))
    return db.scalar(query.limit(1))
