"""Inserts, written once for each table and database.

SQLAlchemy takes longer to prepare an insert than SQLite to carry it out; a write makes several, always the same ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

from sqlalchemy import Connection, Table


def insert(connection: Connection, table: Table, rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert rows whose values stand in the order of the table's columns."""
    if rows:
        connection.exec_driver_sql(_insertion(table, connection.dialect.paramstyle), list(rows))


@cache
def _insertion(table: Table, paramstyle: str) -> str:
    mark = "?" if paramstyle == "qmark" else "%s"
    columns = ", ".join(f'"{column.name}"' for column in table.c)
    return f'INSERT INTO "{table.name}" ({columns}) VALUES ({", ".join(mark for _ in table.c)})'  # noqa: S608
