"""Rebuilding every index row from the documents, which are the record."""

from __future__ import annotations

from sqlalchemy import Connection, delete, select, update

from service.fhir import text
from service.fhir.search_parameters import index
from service.storage.index_rows import general, narrow
from service.storage.inserts import insert
from service.storage.tables import observation, resource, search_index

_ROWS = 1000


def rebuild(connection: Connection) -> int:
    """Derive the index anew, in the caller's transaction; answers how many resources there are."""
    for table in (observation, search_index):
        connection.execute(delete(table))
    own, last, number = resource.c, 0, 0
    while True:
        present = select(own.pk, own.type, own.patient, own.body).where(own.pk > last, ~own.deleted)
        rows = connection.execute(present.order_by(own.pk).limit(_ROWS)).all()
        if not rows:
            return number
        found = [(row, index(text.parse(row.body))) for row in rows]
        for row, one in found:
            if row.patient != one.patient:
                connection.execute(update(resource).where(own.pk == row.pk).values(patient=one.patient))
        readings = [narrow(row.pk, one.patient, each) for row, one in found for each in one.observation]
        insert(connection, observation, readings)
        places = [
            general(row.pk, place, one.patient, row.type, each)
            for row, one in found
            for place, each in enumerate(one.rows)
        ]
        insert(connection, search_index, places)
        last, number = rows[-1].pk, number + len(rows)
