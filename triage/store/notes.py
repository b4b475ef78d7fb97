"""Notes: the measurements and embeddings of played notes, by session or by take."""

from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Row, select

from triage.domain.measurements import MEASUREMENTS
from triage.store import tables
from triage.store.stored import StoredNote

if TYPE_CHECKING:
    import numpy as np

take, note, embedding = tables.take, tables.note, tables.embedding
_CELL = (take.c.name.label("take"), take.c.instrument, take.c.articulation, take.c.dynamic)


def notes(
    db: Connection, session_id: int, take_name: str | None = None, limit: int | None = None, offset: int = 0
) -> tuple[StoredNote, ...]:
    """Return the notes of a session, or of one take of it, in order of take name and number."""
    columns = [column for column in note.c if column.name != "take_id"]
    query = select(*_CELL, *columns).join(note, note.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id).order_by(take.c.name, note.c.number)
    if take_name is not None:
        query = query.where(take.c.name == take_name)
    return tuple(_stored(row) for row in db.execute(query.limit(limit).offset(offset)))


def find_note(db: Connection, take_id: int, number: int) -> StoredNote | None:
    """Return one note of a take, if it has so many."""
    columns = [column for column in note.c if column.name != "take_id"]
    query = select(*_CELL, *columns).join(note, note.c.take_id == take.c.id)
    row = db.execute(query.where(note.c.take_id == take_id, note.c.number == number)).first()
    return None if row is None else _stored(row)


def embeddings(db: Connection, session_id: int, encoder: str) -> tuple[tuple[tuple[str, int], ...], "np.ndarray"]:
    """Return (take name, note number) of each note embedded by ``encoder``, and vectors (note, dimension)."""
    import numpy as np  # late: what lists notes does without

    query = (
        select(take.c.name, embedding.c.number, embedding.c.dimension, embedding.c.vector)
        .join(embedding, embedding.c.take_id == take.c.id)
        .where(take.c.session_id == session_id, embedding.c.encoder == encoder)
        .order_by(take.c.name, embedding.c.number)
    )
    rows = db.execute(query).all()
    numbers = tuple((row.name, row.number) for row in rows)
    vectors = [_vector(row.vector, row.dimension) for row in rows]
    return numbers, np.stack(vectors) if vectors else np.zeros((0, 0), np.float32)


def encoders(db: Connection, session_id: int) -> list[str]:
    """Return the names of the encoders that embedded notes of a session."""
    query = select(embedding.c.encoder).join(take, take.c.id == embedding.c.take_id).distinct()
    return list(db.scalars(query.where(take.c.session_id == session_id).order_by(embedding.c.encoder)))


def _vector(data: bytes, dimension: int) -> "np.ndarray":
    import numpy as np

    # Two bytes a number is float16, four is float32; computing goes on in float32 either way.
    return np.frombuffer(data, f"<f{len(data) // dimension}").astype(np.float32)


def _stored(row: Row[Any]) -> StoredNote:
    values = dict(row._mapping)
    measurements = {name: values.pop(name) for name in MEASUREMENTS}
    return StoredNote(measurements=measurements, **values | {"errors": values["errors"] or {}})
