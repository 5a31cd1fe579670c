"""Opening the two databases: how a connection is set up, how a transaction begins."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, OperationalError

from service.errors import Issue, Misconfigured
from service.storage.sql import Sql, tell

BUSY_SECONDS = 30
"""How long a transaction waits for another one to finish before it gives up."""

_WRITERS_LOCK = 0x68616E64
"""Key of the PostgreSQL advisory lock that lets one writer in at a time; any fixed number does."""


def open_engine(url: str, *, make: bool = True) -> Engine:
    """An engine for a SQLite file, made if `make` says so, or a PostgreSQL database.

    Raises `Misconfigured` for any other address.
    """
    try:
        parsed = make_url(url)
    except ArgumentError:
        message = "The database address cannot be read; it looks like sqlite:///clinic.sqlite or postgresql+psycopg://…"
        raise Misconfigured(message) from None
    if parsed.get_backend_name() == "sqlite":
        if not parsed.database or parsed.database == ":memory:":
            raise Misconfigured("A SQLite database needs a file, as in sqlite:///clinic.sqlite.")
        if not make:
            _require_present(parsed.database)
        return _sqlite(url)
    if parsed.drivername != "postgresql+psycopg":
        found = parsed.drivername
        raise Misconfigured(f"The record is kept in sqlite:// or postgresql+psycopg://, not in {found}://.")
    return create_engine(url, pool_size=20, max_overflow=20, pool_pre_ping=True)


def _require_present(database: str) -> None:
    """Opening a file that is not there would leave an empty one."""
    if not Path(database).exists():
        message = f"There is no record in {database}: `handrecord migrate` makes an empty one."
        raise Misconfigured(Issue("exception", message, "HANDRECORD_DATABASE_URL"))


def _sqlite(url: str) -> Engine:
    engine = create_engine(
        url, pool_size=20, max_overflow=20, connect_args={"check_same_thread": False, "timeout": BUSY_SECONDS}
    )
    event.listen(engine, "connect", _prepare_sqlite)
    return engine


_PRAGMAS = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "foreign_keys=ON",
    f"busy_timeout={BUSY_SECONDS * 1000}",
)


def _prepare_sqlite(connection: Any, _record: object) -> None:
    # The driver would begin transactions by itself, and only before some statements.
    connection.isolation_level = None
    for wanted in _PRAGMAS:
        connection.execute(f"PRAGMA {wanted}").close()
    # 2 is FULL: an acknowledged write survives the loss of power. Read back, for a build may ignore a pragma.
    for pragma, value in (("journal_mode", "wal"), ("synchronous", 2), ("foreign_keys", 1)):
        (found,) = connection.execute(f"PRAGMA {pragma}").fetchone()
        if found != value:
            raise Misconfigured(f"SQLite runs with {pragma}={found} where the record needs {value}.")


def begin_reading(connection: Connection) -> None:
    """Begin a transaction that sees one state of the database throughout."""
    if connection.dialect.name == "sqlite":
        tell(connection, Sql("BEGIN"))
    else:
        connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


def begin_writing(connection: Connection) -> None:
    """Begin a transaction as the only writer, of this process or any other."""
    if connection.dialect.name == "sqlite":
        tell(connection, Sql("BEGIN IMMEDIATE"))
    else:
        tell(connection, Sql(f"SET LOCAL lock_timeout = '{BUSY_SECONDS}s'"))
        tell(connection, Sql(f"SELECT pg_advisory_xact_lock({_WRITERS_LOCK})"))


def begin_at_once(connection: Connection) -> bool:
    """Begin a transaction as the only writer of a SQLite file, or answer False where that means waiting."""
    tell(connection, Sql("PRAGMA busy_timeout = 0"))
    try:
        tell(connection, Sql("BEGIN IMMEDIATE"))
    except OperationalError as problem:
        if "locked" not in str(problem.orig):
            raise
        return False
    finally:
        tell(connection, Sql(f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}"))
    return True


def commit(connection: Connection) -> None:
    """Commit what was begun here, whether or not SQLAlchemy had a part in it."""
    connection.commit()
    connection.connection.commit()


def undo(connection: Connection) -> None:
    """Undo what was begun here and not committed, whether or not SQLAlchemy had a part in it."""
    connection.rollback()
    connection.connection.rollback()
