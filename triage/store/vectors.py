"""Vectors: what an encoder made of notes, put in place of what another made of them; all else stays as it is."""

from collections.abc import Mapping

import numpy as np
from sqlalchemy import Connection, delete, insert, update

from triage.domain.note import Note
from triage.store import tables
from triage.store.changes import bump
from triage.store.session_features import delete_features
from triage.store.takes import lock_session, take_ids, vector_rows


def save_vectors(
    db: Connection, session_id: int, take_name: str, found: Mapping[int, Mapping[str, np.ndarray]], fingerprint: str
) -> None:
    """Store a take's vectors, note number -> name -> vector, and the fingerprint with them, all or nothing."""
    with db.begin_nested():
        lock_session(db, session_id)
        delete_features(db, session_id)
        take_id = take_ids(db, session_id)[take_name]
        db.execute(delete(tables.embedding).where(tables.embedding.c.take_id == take_id))
        notes = [Note(number, 0.0, 0.0, embeddings=own) for number, own in sorted(found.items())]
        rows = [row for note in notes for row in vector_rows(take_id, note)]
        if rows:
            db.execute(insert(tables.embedding), rows)
        db.execute(update(tables.take).where(tables.take.c.id == take_id).values(fingerprint=fingerprint))
        bump(db, session_id, "takes")
