"""Studies and releases, within the transaction of a Reader or Writer, and the record as it was at a transaction."""

from __future__ import annotations

import json
import zlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, select, update

from service.errors import Issue, NotFound
from service.storage.inserts import insert
from service.storage.research_tables import pseudonym, release, release_file, study, study_count
from service.storage.sql import Sql, ask, both, one_of
from service.storage.tables import txn


class Name(NamedTuple):
    """What a resource is called in a study, and by how many weeks the dates of a patient move there."""

    type: str
    id: str
    patient: str
    name: str
    weeks: int


class Kept(NamedTuple):
    """A release as it is kept: its number within the study, the transaction it was made as of, and its manifest."""

    id: str
    study: str
    number: int
    txn: int
    manifest: dict[str, Any]


class Then(NamedTuple):
    """A resource as it was at a transaction."""

    type: str
    id: str
    version: int
    txn: int
    body: str


class Research:
    """The tables of research."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def studies(self) -> list[dict[str, Any]]:
        """Every study, as it was written."""
        return [json.loads(row.document) for row in self._connection.execute(select(study).order_by(study.c.id))]

    def study(self, ident: str) -> dict[str, Any]:
        """One study. Raises `NotFound`."""
        row = self._connection.execute(select(study).where(study.c.id == ident)).first()
        if row is None:
            raise NotFound(Issue("not-found", "There is no such study.", "study", ident))
        found: dict[str, Any] = json.loads(row.document)
        return found

    def keep_study(self, ident: str, document: Mapping[str, Any]) -> None:
        """Write a study, new or changed."""
        text = json.dumps(document)
        changed = self._connection.execute(update(study).where(study.c.id == ident).values(document=text)).rowcount
        if not changed:
            insert(self._connection, study, [(ident, text)])

    def names(self, ident: str) -> list[Name]:
        """What everything is called in a study so far."""
        query = select(pseudonym).where(pseudonym.c.study == ident)
        return [Name(row.type, row.id, row.patient, row.name, row.weeks) for row in self._connection.execute(query)]

    def keep_names(self, ident: str, names: Iterable[Name]) -> None:
        """Keep new names of a study."""
        insert(self._connection, pseudonym, [(ident, *each) for each in names])

    def counts(self, ident: str) -> list[int]:
        """The counts that were asked for a study, in their order."""
        query = select(study_count.c.found).where(study_count.c.study == ident).order_by(study_count.c.number)
        return [int(row.found) for row in self._connection.execute(query)]

    def keep_count(self, ident: str, at: int, by: str, criteria: str, found: int) -> None:
        """Write down that a count was asked, and what it was."""
        number = len(self.counts(ident)) + 1
        insert(self._connection, study_count, [(ident, number, at, by, criteria, found)])

    def releases(self, ident: str) -> list[Kept]:
        """The releases of a study, the first first."""
        query = select(release).where(release.c.study == ident).order_by(release.c.number)
        return [_kept(row) for row in self._connection.execute(query)]

    def release(self, ident: str) -> Kept:
        """One release. Raises `NotFound`."""
        row = self._connection.execute(select(release).where(release.c.id == ident)).first()
        if row is None:
            raise NotFound(Issue("not-found", "There is no such release.", "release", ident))
        return _kept(row)

    def keep_release(self, made: Kept, files: Mapping[str, bytes]) -> None:
        """Keep a release with its files."""
        insert(self._connection, release, [(made.id, made.study, made.number, made.txn, json.dumps(made.manifest))])
        insert(self._connection, release_file, [(made.id, name, zlib.compress(body)) for name, body in files.items()])

    def file(self, ident: str, name: str) -> bytes:
        """The bytes of a file of a release. Raises `NotFound`."""
        row = self._connection.execute(
            select(release_file.c.body).where(release_file.c.release == ident, release_file.c.name == name)
        ).first()
        if row is None:
            raise NotFound(Issue("not-found", "The release has no such file.", "file", name))
        return zlib.decompress(row.body)

    def last_transaction(self) -> int:
        """The number of the last transaction; 0 in an empty record."""
        return int(self._connection.execute(select(func.max(txn.c.number))).scalar() or 0)

    def as_of(self, patient: str, kinds: Collection[str], number: int) -> Iterator[Then]:
        """The resources of a patient as they were when a transaction had been committed; not those deleted by then."""
        last = (
            "NOT EXISTS (SELECT 1 FROM resource_version y WHERE y.pk = x.pk AND y.version > x.version AND y.txn <= ?) "
            "AND (x.version = r.version OR r.txn > ?)"
        )
        version = "SELECT pk, patient, version, txn, deleted, body FROM"
        every = f"({version} resource WHERE patient = ? UNION ALL {version} resource_version WHERE patient = ?)"
        where = both([Sql("x.txn <= ? AND NOT x.deleted", (number,)), Sql(last, (number, number)), _of(kinds)])
        query = (
            f"SELECT r.type, r.id, x.version, x.txn, x.body FROM {every} x "  # noqa: S608
            f"JOIN resource r ON r.pk = x.pk WHERE {where.text} ORDER BY x.pk"
        )
        for row in ask(self._connection, Sql(query, (patient, patient, *where.values))):
            yield Then(row.type, row.id, row.version, row.txn, row.body)

    def changed_since(self, keys: Collection[tuple[str, str]], number: int) -> set[tuple[str, str]]:
        """Those of these (type, id) that were changed or deleted after a transaction."""
        query = Sql("SELECT type, id FROM resource WHERE txn > ?", (number,))
        return {(row.type, row.id) for row in ask(self._connection, query)} & set(keys)


def _of(kinds: Collection[str]) -> Sql:
    return one_of("r.type", sorted(kinds))


def _kept(row: Any) -> Kept:
    return Kept(row.id, row.study, row.number, row.txn, json.loads(row.manifest))
