"""Models: what retraining made, kept beside the takes it judges, and which of them was in use when.

Versions are only ever added; so is each change of use, so that going back is one more line and nothing is lost.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, func, insert, select, tuple_

from triage.domain.errors import StoreError
from triage.store import tables

model, model_use, take = tables.model, tables.model_use, tables.take
RECENT = 1000  # verdicts that are counted where only whether there are enough is asked
SHIPPED = "shipped"  # the doubt before any verdict


@dataclass(frozen=True)
class StoredModel:
    """One version as it stands in the store, without its file; ``takes`` says how many it judged last."""

    version: str
    made_at: datetime
    made_by: str
    encoder: str
    sha256: str
    card: dict[str, Any]


@dataclass(frozen=True)
class ModelUse:
    """A change of the model in use; version None is the shipped doubt."""

    version: str | None
    at: datetime
    by: str


def add_model(db: Connection, stored: StoredModel, file: bytes) -> None:
    """Keep a new version; a version is never replaced."""
    if db.scalar(select(model.c.id).where(model.c.version == stored.version)) is not None:
        raise StoreError(f"model {stored.version} is there already; a version is never replaced")
    db.execute(insert(model).values(**vars(stored), file=file))


def models(db: Connection) -> tuple[StoredModel, ...]:
    """Return all versions, the newest first."""
    columns = [column for column in model.c if column.name not in ("id", "file")]
    return tuple(StoredModel(**row._mapping) for row in db.execute(select(*columns).order_by(model.c.id.desc())))


def model_file(db: Connection, version: str) -> bytes:
    """Return the file of a version, refused if it is not what was stored."""
    row = db.execute(select(model.c.file, model.c.sha256).where(model.c.version == version)).first()
    if row is None:
        there = ", ".join(one.version for one in models(db)) or "none"
        raise StoreError(f"there is no model {version!r} in this store; there are: {there}, and {SHIPPED}")
    if (found := sha256(row.file).hexdigest()) != row.sha256:
        raise StoreError(
            f"model {version} was changed since it was made (SHA-256 {found[:12]}…, expected {row.sha256[:12]}…); "
            "go back with `triage models --use shipped` and train again"
        )
    return bytes(row.file)


def use_model(db: Connection, version: str | None, at: datetime, by: str) -> None:
    """Note that a version, or the shipped doubt (None), is in use from now on."""
    if version is not None:
        model_file(db, version)  # an unknown or changed one is refused before anything is noted
    db.execute(insert(model_use).values(version=version, at=at, by=by))


def version_in_use(db: Connection) -> str | None:
    """Return the version in use, None for the shipped doubt."""
    return db.scalar(select(model_use.c.version).order_by(model_use.c.id.desc()).limit(1))


def uses(db: Connection) -> tuple[ModelUse, ...]:
    """Return every change of the model in use, the last first."""
    query = select(model_use.c.version, model_use.c.at, model_use.c.by).order_by(model_use.c.id.desc())
    return tuple(ModelUse(**row._mapping) for row in db.execute(query))


def verdicts_not_learnt(db: Connection) -> int:
    """Return how many of the verdicts that stand were given after the newest version was made."""
    newest, verdict = db.scalar(select(func.max(model.c.made_at))), tables.verdict
    query = select(func.count()).select_from(verdict).where(verdict.c.stands)
    return db.scalar(query if newest is None else query.where(verdict.c.at > newest)) or 0


def verdicts_that_stand(db: Connection, by: str) -> tuple[int, int]:
    """Return how many of the last RECENT verdicts stand, of everybody, and how many of one person stand."""
    verdict = tables.verdict
    query = select(func.count()).select_from(verdict).where(verdict.c.stands)
    last = db.scalar(select(verdict.c.id).where(verdict.c.id > 0).order_by(verdict.c.id.desc()).limit(1)) or 0
    return db.scalar(query.where(verdict.c.id > last - RECENT)) or 0, db.scalar(query.where(verdict.c.by == by)) or 0


def ids_of(db: Connection, named: Sequence[tuple[str, str]]) -> dict[tuple[str, str], tuple[int, int]]:
    """Return (session, take) by name -> their ids, of those that are still there."""
    session = tables.session
    query = select(session.c.name.label("session"), take.c.name, take.c.session_id, take.c.id)
    query = query.join(session, session.c.id == take.c.session_id)
    rows = db.execute(query.where(tuple_(session.c.name, take.c.name).in_(named)))
    return {(row.session, row.name): (row.session_id, row.id) for row in rows}


def takes_by_model(db: Connection) -> dict[str | None, int]:
    """Return how many takes each model judged last."""
    query = select(take.c.model, func.count().label("number")).group_by(take.c.model)
    return {row.model: row.number for row in db.execute(query)}
