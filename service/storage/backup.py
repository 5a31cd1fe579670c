"""Backups: one file that holds a consistent state of the record, whichever database it came from.

The file is a SQLite database with the record's own tables, row by row as they are, and one more, `backup_info` (key,
value): `format`, `id`, `at` (ISO 8601), `settings` (a JSON list of the variables that were set) and `tables`, a JSON
object that says of each table how many rows it has and the SHA-256 over them: each row the JSON list of its values in
the order of the columns' names, the rows in the order of the key. So a backup of either database is restored into
either. From SQLite it is taken page by page by SQLite's own means for copying a database in use; from PostgreSQL row
by row, in one transaction that sees one state throughout.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import quote
from uuid import uuid4

import msgspec
from sqlalchemy import (
    Column,
    Connection,
    Engine,
    MetaData,
    NullPool,
    PrimaryKeyConstraint,
    Table,
    create_engine,
    func,
    inspect,
    select,
)
from sqlalchemy.exc import DatabaseError

from service.errors import Conflict, Issue, Malformed
from service.storage.engine import begin_reading
from service.storage.tables import meta, metadata

FORMAT = "handrecord-backup-1"
_ROWS = 1000
_WRITTEN = ("txn", "event")
"""Tables that have a row as soon as anything was done."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a backup says of itself. `tables` is, for each, the number of rows and the digest over them; `settings`
    are the names of the variables that were set when it was made."""

    id: str
    at: datetime
    revision: str
    settings: tuple[str, ...]
    tables: dict[str, tuple[int, str]]


def write_backup(engine: Engine, file: Path, settings: Sequence[str] = ()) -> Contents:
    """Write one consistent state of the record into a new file, without stopping anybody.

    It is whole and on disk before it has the name that was asked for. Raises `Conflict` if that name is taken.
    """
    if file.exists():
        raise Conflict(Issue("conflict", "There is a file of this name; a backup overwrites none.", "FILE", str(file)))
    part = file.with_name(f"{file.name}.part")
    for rest in file.parent.glob(f"{part.name}*"):
        rest.unlink()
    os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    at = datetime.now(UTC)
    with engine.connect() as connection:
        begin_reading(connection)
        connection.execute(select(meta)).all()  # it is the first look that fixes what is seen from then on
        _copy_out(connection, part)
        tables = digests(connection)
    with closing(sqlite3.connect(part)) as copy:
        revision = copy.execute("SELECT version_num FROM alembic_version").fetchone()[0]
        told = Contents(str(uuid4()), at, revision, tuple(settings), tables)
        _describe(copy, told)
    _to_disk(part)
    part.rename(file)
    _to_disk(file.parent)
    return told


def check_backup(file: Path) -> Contents:
    """What a backup says of itself, held against what is in it. Raises `Malformed` for what is none or was damaged."""
    with opened(file) as (told, connection):
        for name, expected in told.tables.items():
            if _digest(connection, _own_table(connection, name)) != expected:
                raise _damaged(f"the table {name} is not as it was written")
    return told


@contextmanager
def opened(file: Path) -> Iterator[tuple[Contents, Connection]]:
    """A backup and a connection to it that changes nothing. Raises `Malformed` for a file that is none."""
    if not file.is_file():
        raise Malformed(Issue("not-found", "There is no such file.", "FILE", str(file)))
    address = f"file:{quote(str(file.resolve()))}?mode=ro&immutable=1"
    engine = create_engine("sqlite://", creator=lambda: sqlite3.connect(address, uri=True), poolclass=NullPool)
    try:
        with engine.connect() as connection:
            yield _told(connection), connection
    except DatabaseError as problem:
        raise _damaged(str(problem.orig)) from problem


def copy_in(source: Connection, target: Connection) -> None:
    """Put every row of a backup of this schema into an empty record.

    Raises `Conflict` unless nothing was ever written into it.
    """
    if any(target.execute(select(func.count()).select_from(metadata.tables[name])).scalar() for name in _WRITTEN):
        message = "A backup is restored into an empty record only, and this one has been written to."
        raise Conflict(Issue("conflict", message, "--database"))
    for one in metadata.sorted_tables:
        target.execute(one.delete())
        for rows in _rows(source, one):
            target.execute(one.insert(), [row._asdict() for row in rows])


def digests(connection: Connection) -> dict[str, tuple[int, str]]:
    """Of each table of the record the number of rows and the digest over them; the same on both databases."""
    return {one.name: _digest(connection, one) for one in metadata.sorted_tables}


def _copy_out(connection: Connection, part: Path) -> None:
    if connection.dialect.name == "sqlite":
        source: Any = connection.connection.driver_connection
        with closing(sqlite3.connect(part)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")
        return
    from service.storage.records import migrate

    address = f"sqlite:///{part}"
    migrate(address)
    engine = create_engine(address, poolclass=NullPool)
    with engine.begin() as target_connection:
        copy_in(connection, target_connection)
    with closing(sqlite3.connect(part)) as target:
        target.execute("PRAGMA journal_mode = DELETE")


def _describe(copy: sqlite3.Connection, told: Contents) -> None:
    facts = {
        "format": FORMAT, "id": told.id, "at": told.at.isoformat(), "settings": json.dumps(told.settings),
        "tables": json.dumps(told.tables),
    }  # fmt: skip
    with copy:
        copy.execute("CREATE TABLE backup_info (key TEXT PRIMARY KEY, value TEXT NOT NULL)")
        copy.executemany("INSERT INTO backup_info VALUES (?, ?)", list(facts.items()))


def _told(connection: Connection) -> Contents:
    inspector = inspect(connection)
    if not (inspector.has_table("backup_info") and inspector.has_table("alembic_version")):
        raise _damaged("it is a database of another kind")
    facts = {str(row[0]): str(row[1]) for row in connection.exec_driver_sql("SELECT key, value FROM backup_info")}
    if facts.get("format") != FORMAT:
        raise _damaged(f"its format is {facts.get('format')}")
    revision = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one()
    try:
        tables = {name: (int(number), str(digest)) for name, (number, digest) in json.loads(facts["tables"]).items()}
        settings = tuple(map(str, json.loads(facts["settings"])))
        return Contents(facts["id"], datetime.fromisoformat(facts["at"]), revision, settings, tables)
    except (KeyError, ValueError, TypeError, AttributeError) as problem:
        raise _damaged("what it says of itself cannot be read") from problem


def _own_table(connection: Connection, name: str) -> Table:
    """A table as it is in the file, which may be of an older schema than ours."""
    inspector = inspect(connection)
    if not inspector.has_table(name):
        raise _damaged(f"the table {name} is missing")
    columns = [Column(one["name"], one["type"]) for one in inspector.get_columns(name)]
    return Table(
        name, MetaData(), *columns, PrimaryKeyConstraint(*inspector.get_pk_constraint(name)["constrained_columns"])
    )


def _digest(connection: Connection, one: Table) -> tuple[int, str]:
    found, number = sha256(), 0
    places = [place for _, place in sorted((c.name, place) for place, c in enumerate(one.c))]
    for rows in _rows(connection, one):
        number += len(rows)
        found.update(b"".join(msgspec.json.encode([row[place] for place in places]) for row in rows))
    return number, found.hexdigest()


def _rows(connection: Connection, one: Table) -> Iterator[Sequence[Any]]:
    """The rows of a table in the order of its key, some at a time."""
    query = select(one).order_by(*one.primary_key)
    yield from connection.execute(query, execution_options={"yield_per": _ROWS}).partitions()


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _damaged(why: str) -> Malformed:
    return Malformed(Issue("structure", f"This is no backup of a record, or it was damaged: {why}.", "FILE"))
