"""Leaving no trace of deleted rows in the database's files: not in free pages, not in its log, not in its statistics.

Deleting a row only marks its place as free. SQLite rewrites its file by VACUUM, and its write-ahead log is emptied
afterwards; PostgreSQL rewrites each table, and gathers anew the statistics in which the planner keeps samples of
values. What the database's server itself copies elsewhere (its archive of write-ahead logs, replicas, snapshots of the
disk) is out of reach here.
"""

from __future__ import annotations

import time

from sqlalchemy import Connection, Engine, inspect

from service.errors import Unavailable
from service.storage.engine import BUSY_SECONDS
from service.storage.erase import KEPT
from service.storage.tables import metadata

_PAUSE = 0.1
_OLDER = (
    "SELECT count(*) FROM pg_stat_activity WHERE pid <> pg_backend_pid() AND (age(backend_xid) > age(%s::text::xid) "
    "OR (age(backend_xmin) > age(%s::text::xid) AND coalesce(datname, current_database()) = current_database()))"
)


def scrub(engine: Engine) -> None:
    """Rewrite what held deleted rows. Raises `Unavailable` while somebody still reads an older state."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            _rewrite_file(connection)
        else:
            _rewrite_tables(connection.execution_options(isolation_level="AUTOCOMMIT"))


def _rewrite_file(connection: Connection) -> None:
    if inspect(connection).has_table("sqlite_stat1"):
        connection.exec_driver_sql("ANALYZE")
    connection.exec_driver_sql("VACUUM")
    until = time.monotonic() + BUSY_SECONDS
    while connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").one()[0]:
        _wait(until)


def _rewrite_tables(connection: Connection) -> None:
    now = connection.exec_driver_sql("SELECT pg_current_xact_id()::text").scalar_one()
    until = time.monotonic() + BUSY_SECONDS
    # An older change, of any database of this server, would make a rewrite keep rows that are deleted already.
    while connection.exec_driver_sql(_OLDER, (str(int(now) % 2**32),) * 2).scalar_one():
        _wait(until)
    for table in (*(name for name in metadata.tables if name not in KEPT), "event", "pg_catalog.pg_statistic"):
        named = table if "." in table else f'"{table}"'
        connection.exec_driver_sql(f"VACUUM (FULL{'' if '.' in table else ', ANALYZE'}) {named}")


def _wait(until: float) -> None:
    if time.monotonic() > until:
        raise Unavailable(
            "Somebody still reads a state of the record from before; what was erased is in its files yet."
        )
    time.sleep(_PAUSE)
