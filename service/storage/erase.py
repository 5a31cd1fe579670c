"""Erasing: every version and index row of what goes, references to it in what stays, and words in the trail.

What is left of a resource is a tombstone with its type and id. The trail of who did what stays whole: its chains run
over digests, and the events that lost their words are listed with a digest over what is left of them; a digest over
that list stands in the event of the erasure itself, which is in the chain.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import unquote_plus

import msgspec
from sqlalchemy import Connection, Table, and_, delete, select, update

from service.fhir import text
from service.fhir.erasing import SHORTEST, without_links
from service.storage import keeping_tables as keeping
from service.storage.audit_chain import digest_of
from service.storage.audit_tables import event, event_patient
from service.storage.erase_plan import CHUNK, Plan
from service.storage.export_jobs import void
from service.storage.inserts import insert
from service.storage.sql import Sql, ask
from service.storage.tables import metadata, observation, resource, resource_version, search_index

BY_NUMBER = (observation, search_index, resource_version, resource)
"""Tables whose rows belong to a resource by its number."""
KEPT = frozenset({
    "meta", "txn", "event", "event_patient", "event_chain", "used_token", "erasure", "tombstone", "emptied_event",
    "legal_hold", "backup", "holder", "study", "study_count", "release", "release_file",
    "export_job", "export_file",
})  # fmt: skip
"""Tables that an erasure leaves: what was done, by whom, and what is kept about keeping. All others that have a column
`patient` lose the rows of whoever is erased, and one without that column must be named here."""
ERASE = "erasure"
"""The act under which an erasure stands in the trail; its words are never taken out."""
_WORD = re.compile(r"\w+")


def erase(connection: Connection, plan: Plan, erasure: str) -> str:
    """Carry a plan out, in the caller's transaction; answers the digest over what the trail lost.

    What is `touched` needs its index made anew afterwards.
    """
    numbers = [one.pk for one in plan.going]
    for table in BY_NUMBER:
        _delete(connection, table, "pk", numbers)
    for patient in plan.patients:
        for table in _of_patients():
            connection.execute(delete(table).where(table.c.patient == patient))
    insert(connection, keeping.tombstone, [(one.type, one.id, erasure) for one in plan.going])
    _take_links_out(connection, plan)
    void(connection)
    return _empty_events(connection, plan, erasure)


def _of_patients() -> Iterator[Table]:
    """The tables from which everything of a patient goes; earlier versions of what moved to another patient too."""
    for table in metadata.sorted_tables:
        if table.name not in KEPT and "patient" in table.c:
            yield table


def _delete(connection: Connection, table: Table, column: str, values: list[Any]) -> None:
    for start in range(0, len(values), CHUNK):
        connection.execute(delete(table).where(table.c[column].in_(values[start : start + CHUNK])))


def _take_links_out(connection: Connection, plan: Plan) -> None:
    gone = {one.key for one in plan.going}
    for number, version in plan.touched:
        for table in (resource, resource_version):
            this = and_(table.c.pk == number, table.c.version == version)
            found = connection.execute(select(table.c.body).where(this)).scalar()
            if found:
                body = text.dump(without_links(text.parse(found), gone)).decode()
                connection.execute(update(table).where(this).values(body=body))


def _empty_events(connection: Connection, plan: Plan, erasure: str) -> str:
    """Take the query and the reason out of every event that may hold the person's name or identifiers in them."""
    listed = []
    for row in list(_telling(connection, plan)):
        place = (row.chain, row.position)
        patients = _patients_of(connection, row)
        this = update(event).where(event.c.chain == row.chain, event.c.position == row.position)
        connection.execute(this.values(query="", reason=""))
        listed.append((*place, digest_of(emptied(row), patients)))
    insert(connection, keeping.emptied_event, [(*place, erasure, digest) for *place, digest in listed])
    return digest_of_emptied(listed)


def emptied(row: Any) -> tuple[Any, ...]:
    """The content of an event's row without its words: what is left of it, and what its second digest is over."""
    values = row._asdict() | {"query": "", "reason": ""}
    return tuple(values[column.name] for column in event.c)[:-2]


def digest_of_emptied(listed: Iterable[tuple[int, int, str]]) -> str:
    """One digest over the places (chain, position) of emptied events, each with the digest over what is left."""
    return hashlib.sha256(msgspec.json.encode(sorted(listed))).hexdigest()


def _telling(connection: Connection, plan: Plan) -> Iterator[Any]:
    """Events with words in them that showed the person, or whose words are theirs."""
    known = keeping.emptied_event.c
    worded = (event.c.query != "") | (event.c.reason != "")
    emptied_before = select(known.position).where(known.chain == event.c.chain, known.position == event.c.position)
    query = select(event).where(worded, event.c.act != ERASE, ~emptied_before.exists())
    about = _shown_to(connection, plan)
    names = {word for name in plan.names for word in _WORD.findall(name.casefold()) if len(word) >= SHORTEST}
    marks = {mark.casefold() for mark in plan.marks}
    for row in connection.execute(query, execution_options={"yield_per": 1000}):
        said = unquote_plus(f"{row.query} {row.reason}").casefold()
        if (
            row.patient in plan.patients
            or (row.chain, row.position) in about
            or any(mark in said for mark in marks)
            or not names.isdisjoint(_WORD.findall(said))
        ):
            yield row


def _shown_to(connection: Connection, plan: Plan) -> set[tuple[int, int]]:
    own = event_patient.c
    query = select(own.chain, own.position).where(own.patient.in_(plan.patients))
    return {(row.chain, row.position) for row in connection.execute(query)}


def _patients_of(connection: Connection, row: Any) -> list[str]:
    if row.patient:
        return [row.patient]
    query = Sql("SELECT patient FROM event_patient WHERE chain = ? AND position = ?", (row.chain, row.position))
    return [each.patient for each in ask(connection, query)]
