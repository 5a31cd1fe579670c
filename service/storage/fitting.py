"""Which resources of a handful a search finds, by the same SQL as in the record, but as they are handed in.

For what the record's own index no longer says: versions that have been superseded. The database lives in memory, and
only as long as the question.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from sqlalchemy import Connection, create_engine, event

from service.fhir.search_parameters import Query, index
from service.fhir.text import Json
from service.storage.conditions import conditions_of
from service.storage.index_rows import general, narrow
from service.storage.inserts import insert
from service.storage.snapshot import Version
from service.storage.sql import Sql, ask
from service.storage.tables import metadata, observation, resource, search_index


def fitting(kind: str, documents: Sequence[tuple[Version, Json]], queries: Sequence[Query]) -> Collection[int]:
    """The internal numbers of those versions of a type, each with its document, that one of the queries finds."""
    engine = create_engine("sqlite://")
    event.listen(engine, "connect", lambda connection, _: setattr(connection, "isolation_level", None))
    try:
        with engine.connect() as connection:
            metadata.create_all(connection, [resource, observation, search_index])
            for version, document in documents:
                _put(connection, kind, version, document)
            return {number for query in queries for number in _found(connection, query)}
    finally:
        engine.dispose()


def _put(connection: Connection, kind: str, version: Version, document: Json) -> None:
    found, pk = index(document), version.pk
    stood = (version.version, version.txn, version.updated, "update", False, version.body)
    insert(connection, resource, [(pk, kind, version.id, found.patient, *stood)])
    insert(connection, observation, [narrow(pk, found.patient, row) for row in found.observation])
    rows = (general(pk, place, found.patient, kind, row) for place, row in enumerate(found.rows))
    insert(connection, search_index, list(rows))


def _found(connection: Connection, query: Query) -> Collection[int]:
    where, _ = conditions_of(query)
    table = "observation" if query.type == "Observation" else "resource"
    text = f"SELECT DISTINCT pk FROM {table} WHERE {where.text}"  # noqa: S608
    return {row.pk for row in ask(connection, Sql(text, where.values))}
