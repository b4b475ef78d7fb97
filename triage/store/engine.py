"""Engine: a database address becomes an open store, and work in it a transaction.

``open_store(address)`` gives an engine on SQLite (``sqlite:///triage.db``) or PostgreSQL (``postgresql://…``),
its schema checked. ``reading(engine)`` and ``writing(engine)`` give ``db``, the database session that a query
takes first: what is done in one block is seen whole or, after an error, not at all.
"""

import os
import re
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, OperationalError

from triage.domain.errors import StoreError
from triage.store import schema

BUSY_MS = 20_000  # how long a writer waits for another before it gives up
RETRY_S = 0.01
CONNECT_S = 10
_TURN = threading.Lock()  # of this process's writers on SQLite; a desk ends a request on another thread


def open_store(address: str, create: bool = True) -> Engine:
    """Return an engine on the store; an empty database gets the newest schema, any other must have it.

    With ``create`` false an empty or missing database is an error too: a command that only shows something
    should not leave a file behind.
    """
    url = _url(address)
    if not create:
        _refuse_missing(url)
    engine = _engine(url)
    try:
        with _as_store_error(engine):
            _settle_schema(engine, create)
    except BaseException:
        engine.dispose()
        raise
    return engine


def upgrade_store(address: str) -> tuple[str | None, str]:
    """Bring an older store to the newest schema and return the versions before and after."""
    url = _url(address)
    _refuse_missing(url)
    engine = _engine(url)
    try:
        with _as_store_error(engine):
            with reading(engine) as db:
                state = schema.state_of(db)
            if state.kind in ("foreign", "newer"):
                raise StoreError(f"{shown(engine)}: {state.remedy(shown(engine))}")
            if state.kind != "newest":
                _migrate(engine)
        return state.found, schema.newest()
    finally:
        engine.dispose()


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Give a database session that sees one moment of the store, whatever others write meanwhile."""
    with _transaction(engine, **_SNAPSHOT.get(engine.dialect.name, {})) as db:
        yield db


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Give a database session whose changes are kept when the block ends well, else undone."""
    with _turn(engine), _transaction(engine, writes=True) as db:
        yield db


def shown(engine: Engine) -> str:
    """Return the store's address without its password."""
    return _shown(engine.url)


# SQLite's read transactions see one moment anyway.
_SNAPSHOT: dict[str, dict[str, Any]] = {
    "postgresql": {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
}


@contextmanager
def _turn(engine: Engine) -> Iterator[None]:
    """Let the writers of this process go one after another: SQLite's own wait looks again now and then, and can leave
    one of many out for seconds. Other processes still wait the way it does."""
    mine = engine.dialect.name == "sqlite" and _TURN.acquire(timeout=BUSY_MS / 1000)
    try:
        yield
    finally:
        if mine:
            _TURN.release()


@contextmanager
def _transaction(engine: Engine, **options: Any) -> Iterator[Connection]:
    with _as_store_error(engine), engine.connect() as db:
        db = db.execution_options(**options)
        with db.begin():
            yield db


@contextmanager
def _as_store_error(engine: Engine) -> Iterator[None]:
    """Turn what the database itself refuses (locked, full, unreachable, damaged) into one line."""
    try:
        yield
    except DatabaseError as error:
        # The other kinds of DatabaseError (a broken constraint, wrong SQL) are bugs and keep their traceback.
        if type(error) not in (OperationalError, DatabaseError):
            raise
        raise StoreError(f"{shown(engine)}: {_cause(' '.join(str(error.orig).split()))}") from error


# What a database says, in the words of its driver -> what it means here, and what to do. The first that fits counts.
CAUSES = (
    (r"is locked|deadlock", "another process has been writing for too long; try again when it is done"),
    (r"full|no space left", "the disk is full; make room, then do it again"),
    (r"readonly|read-only", "the store can only be read here; copy it to a disk that can be written to"),
    (r"unable to open|permission denied", "cannot be opened; check that its folder exists and who may use it"),
    (r"is not a database", "file is not a database of this tool; name another with --store"),
    (r"malformed|corrupt", "the file is damaged; go back to a copy, or look with `triage check`"),
    (r"disk i/o|input/output", "the disk cannot be read or written; check that it is still connected and not full"),
    (r'database "?[^"]*"? does not exist', "there is no such database on the server; create it, or name another"),
    (r"password|authentication|no pg_hba", "the server refuses this user or password; check the address"),
    (r"translate host|name resolution|not known", "no server of that name is known; check the address"),
    (r"refused|no route|timeout|timed out|unreachable", "the server does not answer; check that it runs"),
    (r"terminating|closed|lost|reset|shutting down|starting up", "the server went away; try again once it is back"),
)


def _cause(message: str) -> str:
    """Return one cause with its remedy; the database's own words where it is none that is known."""
    for pattern, cause in CAUSES:
        if re.search(pattern, message, re.IGNORECASE):
            return cause
    return f"{message}; check that the database can be reached"


def _settle_schema(engine: Engine, create: bool) -> None:
    with reading(engine) as db:
        state = schema.state_of(db)
    if state.kind == "empty" and create:
        _migrate(engine)
    elif state.kind != "newest":
        raise StoreError(f"{shown(engine)}: {state.remedy(shown(engine))}")


def _migrate(engine: Engine) -> None:
    # SQLite changes a table by making it anew and dropping the old; with foreign keys on, children go too.
    with _transaction(engine, writes=True, foreign_keys="OFF") as db:
        schema.migrate(db)


def _url(address: str) -> URL:
    try:
        url = make_url(address)
    except ArgumentError:
        raise StoreError(
            f"store {address!r} is no database address; write sqlite:///{address} for a file, or postgresql://…"
        ) from None
    if url.drivername in ("postgres", "postgresql"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername not in ("sqlite", "sqlite+pysqlite", "postgresql+psycopg"):
        raise StoreError(
            f"store {_shown(url)}: {url.drivername} is not supported; use sqlite:///FILE or postgresql://…"
        )
    return url


def _shown(url: URL) -> str:
    # Without the driver, which nobody need have typed.
    return url.set(drivername=url.get_backend_name()).render_as_string(hide_password=True)


def _refuse_missing(url: URL) -> None:
    # Merely connecting would make the file; there is none in memory or behind SQLite's own file: addresses.
    named = url.database or ":memory:"
    if url.get_backend_name() != "sqlite" or named == ":memory:" or "uri" in url.query or Path(named).exists():
        return
    remedy = f"`triage intake FOLDER --store {_shown(url)}` makes one"
    raise StoreError(f"{_shown(url)}: no store there; {remedy}")


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "sqlite":
        only_read = _read_only(url)
        engine = create_engine(url, creator=only_read) if only_read else create_engine(url)
        event.listen(engine, "connect", _begun_by_us if only_read else _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        return create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": CONNECT_S})
    except ModuleNotFoundError:
        raise StoreError(
            f"store {_shown(url)}: no PostgreSQL driver; `pip install 'psycopg[binary]'` brings it"
        ) from None


def _read_only(url: URL) -> Callable[[], sqlite3.Connection] | None:
    """Return what opens a SQLite file that can only be read; None where it can be written to.

    Beside the file SQLite wants files of its own, even to read. On a disk that cannot be written to it goes without
    where it is told that nobody writes; a log left beside the file says that somebody did.
    """
    path = Path(url.database or ":memory:")
    if "uri" in url.query or not path.is_file() or (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        return None
    alone = "" if Path(f"{path}-wal").exists() else "&immutable=1"
    address = f"file:{quote(str(path.resolve()))}?mode=ro{alone}"
    return lambda: sqlite3.connect(address, uri=True, check_same_thread=False)


def _begun_by_us(connection: Any, _record: Any) -> None:
    # Python's driver would begin a transaction only at the first change; we begin each one ourselves, below.
    connection.isolation_level = None


def _prepare_sqlite(connection: Any, record: Any) -> None:
    _begun_by_us(connection, record)
    # FULL: a verdict is on the disk before it counts as kept; NORMAL would lose the last of it with the power.
    for pragma in (f"busy_timeout = {BUSY_MS}", "synchronous = FULL"):
        connection.execute(f"PRAGMA {pragma}").close()
    _log_ahead(connection)


def _log_ahead(connection: Any) -> None:
    # Whoever opens a new file switches it over, and here SQLite waits for no other whatever its busy_timeout.
    until_s = time.monotonic() + BUSY_MS / 1000
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL").close()
            return
        except sqlite3.OperationalError as error:
            # The low byte is the kind of error, the rest its finer distinction.
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
        time.sleep(RETRY_S)


def _begin_sqlite(db: Connection) -> None:
    options = db.get_execution_options()
    # Foreign keys can be switched only outside a transaction, so each one sets what it needs.
    db.exec_driver_sql(f"PRAGMA foreign_keys = {options.get('foreign_keys', 'ON')}")
    # A reader that turns writer fails at once if another wrote meanwhile; a writer from the start waits.
    db.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes") else "BEGIN")
