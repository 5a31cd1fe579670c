"""Who changed what, and when: one row with every change, in the change's own transaction."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select

from service.domain.actor import Actor
from service.fhir.search_dates import moment
from service.storage.tables import audit


@dataclass(frozen=True, slots=True)
class Entry:
    """One change: `actor` did `act` (create, update, delete) to `version` of a resource. `number` orders them."""

    number: tuple[int, int]
    at: datetime
    actor: Actor
    act: str
    type: str
    id: str
    version: int
    patient: str


def trail(connection: Connection, *, patient: str = "", resource: tuple[str, str] | None = None) -> Iterator[Entry]:
    """The entries, newest first: of one patient's record, of one resource (type, id), or all."""
    query = select(audit).order_by(audit.c.txn.desc(), audit.c.position.desc())
    if patient:
        query = query.where(audit.c.patient == patient)
    if resource:
        query = query.where(audit.c.type == resource[0], audit.c.id == resource[1])
    for row in connection.execute(query):
        actor = Actor(row.actor, row.actor_name, row.actor_role)
        yield Entry(
            (row.txn, row.position), moment(row.at), actor, row.act, row.type, row.id, row.version, row.patient
        )
