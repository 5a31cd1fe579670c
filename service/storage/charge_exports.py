"""Exports of confirmed charges: the lines each left with, kept as they were written, so that it can be given again.

A line carries its patient, as every row that grows does. Row 0 of an export is its envelope: the heading of the CSV,
and the Bundle without its entries.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import BigInteger, Column, Connection, Integer, PrimaryKeyConstraint, String, Table, Text, select

from service.storage.inserts import insert
from service.storage.tables import metadata

_PLAIN = String().with_variant(String(collation="C"), "postgresql")

charge_line = Table(
    "charge_line",
    metadata,
    Column("export", _PLAIN, nullable=False),
    Column("position", Integer, nullable=False),
    Column("patient", _PLAIN, nullable=False),
    Column("kind", _PLAIN, nullable=False),
    Column("charge", _PLAIN, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("csv", Text, nullable=False),
    Column("entry", Text, nullable=False),
    PrimaryKeyConstraint("export", "position", "patient"),
    sqlite_with_rowid=False,
)
ENVELOPE = "envelope"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of an export. `kind` is charge, reversal or envelope; `at` in microseconds since 1970."""

    export: str
    position: int
    patient: str
    kind: str
    charge: str
    at: int
    csv: str
    entry: str


def keep(connection: Connection, lines: Iterable[Line]) -> None:
    """Keep the lines of an export."""
    names = [column.name for column in charge_line.c]
    insert(connection, charge_line, [tuple(getattr(line, name) for name in names) for line in lines])


def lines_of(connection: Connection, export: str) -> list[Line]:
    """The lines of an export, the envelope first; empty if there is none of this id."""
    query = select(charge_line).where(charge_line.c.export == export).order_by(charge_line.c.position)
    return [Line(*row) for row in connection.execute(query)]


def exports(connection: Connection) -> Sequence[tuple[str, int]]:
    """Id and time of every export, newest first."""
    row = charge_line.c
    query = select(row.export, row.at).where(row.kind == ENVELOPE).order_by(row.at.desc(), row.export)
    return [(str(each.export), int(each.at)) for each in connection.execute(query)]
