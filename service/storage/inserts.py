"""Inserts, written once for each table."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

from sqlalchemy import Connection, Table

from service.storage.sql import tell_each


def insert(connection: Connection, table: Table, rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert rows whose values stand in the order of the table's columns."""
    if rows:
        tell_each(connection, _insertion(table), rows)


@cache
def _insertion(table: Table) -> str:
    columns = ", ".join(f'"{column.name}"' for column in table.c)
    return f'INSERT INTO "{table.name}" ({columns}) VALUES ({", ".join("?" for _ in table.c)})'  # noqa: S608
