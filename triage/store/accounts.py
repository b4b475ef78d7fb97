"""People: who works at the desk, in which role, and which log-ins are good.

Passwords come here as argon2 hashes and log-ins as digests: whoever reads the store can pretend to be nobody.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, delete, func, insert, select, update

from triage.domain.errors import StoreError
from triage.store import tables
from triage.store.changes import insert_missing

ROLES = ("editor", "producer", "engineer", "lead")
LONGEST_NAME = 60
person, login, secret = tables.person, tables.login, tables.secret


@dataclass(frozen=True)
class Person:
    """Somebody at the desk; ``has_password`` is what makes an account."""

    id: int
    name: str
    role: str
    has_password: bool


def save_person(db: Connection, name: str, role: str, password_hash: str | None = None) -> Person:
    """Store a person, or a new role and password of one known; a hash of None leaves the password as it is."""
    name = " ".join(name.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise StoreError(f"a person's name has 1 to {LONGEST_NAME} visible characters, this one is {name[:80]!r}")
    if role not in ROLES:
        raise StoreError(f"role {role!r} is none of {', '.join(ROLES)}")
    row = {"name": name, "folded": name.casefold(), "role": role, "at": datetime.now(UTC)}
    if not insert_missing(db, person, row | {"password": password_hash}):
        changed = {"role": role} | ({"password": password_hash} if password_hash else {})
        db.execute(update(person).where(person.c.folded == row["folded"]).values(changed))
    found = find_person(db, name)
    assert found is not None
    return found


def find_person(db: Connection, name: str) -> Person | None:
    """Return the person of that name, however it is capitalised."""
    return _one(db, person.c.folded == " ".join(name.split()).casefold())


def people(db: Connection) -> tuple[Person, ...]:
    """Return everybody, in order of name."""
    rows = db.execute(select(*_COLUMNS).order_by(person.c.folded))
    return tuple(Person(**row._mapping) for row in rows)


def password_hash(db: Connection, person_id: int) -> str | None:
    """Return the hash of a person's password."""
    return db.scalar(select(person.c.password).where(person.c.id == person_id))


def set_password(db: Connection, person_id: int, hashed: str) -> None:
    """Store a new hash; log-ins with the old password end."""
    db.execute(update(person).where(person.c.id == person_id).values(password=hashed))
    db.execute(delete(login).where(login.c.person_id == person_id))


def renew_hash(db: Connection, person_id: int, hashed: str) -> None:
    """Store the same password hashed anew, with today's costs."""
    db.execute(update(person).where(person.c.id == person_id).values(password=hashed))


def remove_person(db: Connection, name: str) -> None:
    """Forget a person and their log-ins; their verdicts stay under their name."""
    found = find_person(db, name)
    if found is None:
        known = ", ".join(one.name for one in people(db)) or "nobody yet"
        raise StoreError(f"nobody is called {name!r}; known: {known}")
    db.execute(delete(person).where(person.c.id == found.id))


def accounts(db: Connection) -> int:
    """Return how many people have a password."""
    return db.scalar(select(func.count()).select_from(person).where(person.c.password.is_not(None))) or 0


def log_in(db: Connection, person_id: int, lasts: timedelta) -> str:
    """Start a log-in and return its token, which the store itself does not keep."""
    now, token = datetime.now(UTC), secrets.token_urlsafe(32)
    db.execute(delete(login).where(login.c.until < now))
    db.execute(insert(login).values(person_id=person_id, token=_digest(token), until=now + lasts))
    return token


def logged_in(db: Connection, token: str) -> Person | None:
    """Return who has this token, while it is good."""
    held = select(login.c.person_id).where(login.c.token == _digest(token), login.c.until > datetime.now(UTC))
    return _one(db, person.c.id == held.scalar_subquery())


def log_out(db: Connection, token: str) -> None:
    """End a log-in."""
    db.execute(delete(login).where(login.c.token == _digest(token)))


def secret_key(db: Connection, name: str) -> bytes:
    """Return the store's own random key of that name, made when it is first asked for."""
    insert_missing(db, secret, {"name": name, "value": secrets.token_bytes(32)})
    return db.execute(select(secret.c.value).where(secret.c.name == name)).scalar_one()


_COLUMNS = (person.c.id, person.c.name, person.c.role, person.c.password.is_not(None).label("has_password"))


def _one(db: Connection, which: object) -> Person | None:
    row = db.execute(select(*_COLUMNS).where(which)).first()  # type: ignore[arg-type]
    return None if row is None else Person(**row._mapping)


def _digest(token: str) -> str:
    # The token is random and long: nothing to guess, so a plain digest is enough.
    return hashlib.sha256(token.encode()).hexdigest()
