"""Whether anybody removed or altered what was written down."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, and_, exists, func, select, union_all

from service.storage.audit_chain import CHANGES, START, digest_of, link_of
from service.storage.audit_tables import event, event_chain, event_patient
from service.storage.erase import ERASE, digest_of_emptied
from service.storage.keeping_tables import emptied_event
from service.storage.tables import resource, resource_version

_EMPTIED = re.compile(r"erasure=([^&]+)&emptied=([0-9a-f]{64})")
_MOST = 100
"""Faults listed of one kind."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was written: a whole sentence, with the chain and position where that is known."""

    message: str
    chain: int | None = None
    position: int | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check found. `heads` are the ends of the chains (length, link): kept elsewhere, they prove more later."""

    events: int
    heads: dict[int, tuple[int, str]]
    faults: tuple[Fault, ...]


def verify(connection: Connection, noted: dict[int, tuple[int, str]] | None = None) -> Verdict:
    """Walk every chain from its start to its end.

    `noted` are heads of an earlier check that were kept outside the database: who rewrites a whole chain, with all its
    digests, is found by them alone.
    """
    faults: list[Fault] = []
    ends = {row.chain: (row.length, row.head) for row in connection.execute(select(event_chain))}
    faults += _numbering(ends)
    several = _patients(connection)
    emptied_by = {(row.chain, row.position): row for row in connection.execute(select(emptied_event))}
    walked = 0
    for number, (length, head) in sorted(ends.items()):
        wanted = (noted or {}).get(number)
        walked += length
        faults += list(_walk(connection, number, (length, head), _Beside(several, emptied_by), wanted))[:_MOST]
    for number in sorted(set(noted or {}) - set(ends)):
        faults.append(Fault(f"Chain {number}, which was noted before, is gone.", number))
    faults += _outside(connection, ends)
    faults += _emptied(connection, emptied_by.values())
    faults += [Fault(f"The event that made {name} is missing.") for name in _unexplained(connection)]
    return Verdict(walked, ends, tuple(faults))


@dataclass(frozen=True, slots=True)
class _Beside:
    """What stands beside the events, by chain and position: their patients, where several; what they lost."""

    several: dict[tuple[int, int], list[str]]
    emptied: dict[tuple[int, int], Any]


def _numbering(ends: dict[int, tuple[int, str]]) -> Iterator[Fault]:
    for number in range(max(ends, default=0) + 1):
        if number not in ends:
            yield Fault(f"Chain {number} is gone.", number)


def _patients(connection: Connection) -> dict[tuple[int, int], list[str]]:
    found: dict[tuple[int, int], list[str]] = defaultdict(list)
    for row in connection.execute(select(event_patient)):
        found[row.chain, row.position].append(row.patient)
    return found


def _walk(
    connection: Connection,
    number: int,
    end: tuple[int, str],
    beside: _Beside,
    noted: tuple[int, str] | None,
) -> Iterator[Fault]:
    position, link = 0, START
    rows = select(event).where(event.c.chain == number).order_by(event.c.position)
    for row in connection.execute(rows, execution_options={"yield_per": 1000}):
        position += 1
        if row.position != position:
            yield Fault(f"Events {position} to {row.position - 1} are gone.", number, position)
            position, link = row.position, ""
        yield from _row_faults(row, link, beside)
        link = row.link
        if noted is not None and noted[0] == position and noted[1] != link:
            yield Fault("The chain up to here is not the one that was noted before.", number, position)
    if (position, link) != end:
        yield Fault(f"The chain ends at {position} and should end, by its own account, at {end[0]}.", number, position)
    if noted is not None and noted[0] > position:
        yield Fault(f"The chain was noted before with {noted[0]} events, and has {position}.", number, position)


def _row_faults(row: Any, link: str, beside: _Beside) -> Iterator[Fault]:
    place = (row.chain, row.position)
    shown = beside.several.pop(place, []) or ([row.patient] if row.patient else [])
    lost = beside.emptied.get(place)
    if digest_of(tuple(row)[:-2], shown) != (lost.digest if lost else row.digest):
        yield Fault("This event was altered.", *place)
    if link and link_of(link, row.digest) != row.link:
        yield Fault("This event does not follow from the one before it.", *place)


def _emptied(connection: Connection, rows: Iterable[Any]) -> Iterator[Fault]:
    """Whether the events that lost their words are those that the erasures, in their own events, say they emptied."""
    listed: dict[str, list[tuple[int, int, str]]] = defaultdict(list)
    for row in rows:
        listed[row.erasure].append((row.chain, row.position, row.digest))
    said = select(event.c.query).where(event.c.chain == CHANGES, event.c.act == ERASE, event.c.query.contains("&"))
    told = dict(_EMPTIED.fullmatch(one).groups() for one in connection.execute(said).scalars())  # type: ignore[union-attr, misc]
    for erasure in sorted(set(listed) | set(told)):
        if told.get(erasure) != digest_of_emptied(listed[erasure]):
            yield Fault(f"The events that lost their words are not those that erasure {erasure} emptied.")


def _outside(connection: Connection, ends: dict[int, tuple[int, str]]) -> Iterator[Fault]:
    """Events, or patients of events, that belong to no chain or no event."""
    own = event.c
    for (number,) in connection.execute(select(own.chain).distinct()):
        if number not in ends:
            yield Fault(f"There are events of a chain {number} that was never opened.", number)
    there = exists().where(own.chain == event_patient.c.chain, own.position == event_patient.c.position)
    lost = connection.execute(select(func.count()).select_from(event_patient).where(~there)).scalar_one()
    if lost:
        yield Fault(f"There are {lost} patients of events that are not there.")


def _unexplained(connection: Connection) -> Iterator[str]:
    """Versions of resources that no event accounts for."""
    versions = union_all(
        select(resource.c.type, resource.c.id, resource.c.version),
        select(resource.c.type, resource.c.id, resource_version.c.version).join_from(
            resource_version, resource, resource.c.pk == resource_version.c.pk
        ),
    ).subquery()
    own = event.c
    made = exists().where(
        and_(own.type == versions.c.type, own.id == versions.c.id, own.version == versions.c.version, own.chain == 0)
    )
    for row in connection.execute(select(versions).where(~made).limit(_MOST)):
        yield f"{row.type}/{row.id}, version {row.version},"
