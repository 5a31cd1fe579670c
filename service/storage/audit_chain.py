"""Events, and the chains that bind them: each link is a digest over the link before and the event's own digest.

The chain runs over digests, not contents, so that it stays whole when a content must go one day. One chain for each
writer: changes, whose order the record's lock decides, are chain 0; what a process shows is in a chain of its own, so
that no reader waits for another process.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from sqlalchemy import Connection

from service.domain.actor import Actor
from service.storage.audit_tables import event, event_patient
from service.storage.inserts import insert
from service.storage.sql import Sql, ask, tell

CHANGES = 0
"""The chain of the changes."""
START = "0" * 64
"""What stands before the first link."""
_MOVED = "UPDATE event_chain SET length = ?, head = ? WHERE chain = ? AND length = ?"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing done or refused: `actor` did `act` (an interaction of FHIR, or an operation) at `at` (microseconds).

    `outcome` is R4's: 0 done, 4 refused or failed, 8 failed by a defect. `query` is the search as it was asked.
    `patients` are the ids of those whose data was shown or changed.
    """

    at: int
    actor: Actor
    act: str
    type: str = ""
    id: str = ""
    version: int = 0
    patients: tuple[str, ...] = ()
    outcome: str = "0"
    query: str = ""


class TornChain(Exception):
    """Somebody else wrote to a chain that has one writer."""


class Chain:
    """The end of a chain, as its one writer knows it."""

    def __init__(self, number: int, length: int, head: str) -> None:
        self.number, self.length, self.head = number, length, head

    @classmethod
    def of(cls, connection: Connection, number: int) -> Chain:
        """A chain as it stands in the database."""
        (row,) = ask(connection, Sql("SELECT length, head FROM event_chain WHERE chain = ?", (number,)))
        return cls(number, row.length, row.head)

    def append(self, connection: Connection, events: Iterable[Event]) -> Chain:
        """Write events in order; answers the chain's new end, which holds once the transaction is committed."""
        length, head = self.length, self.head
        rows: list[tuple[Any, ...]] = []
        shown: list[tuple[str, int, int]] = []
        for one in events:
            length += 1
            patients = tuple(dict.fromkeys(filter(None, one.patients)))
            told = content_of(self.number, length, one, patients)
            digest = digest_of(told, patients)
            head = link_of(head, digest)
            rows.append((*told, digest, head))
            if len(patients) > 1:
                shown += [(patient, self.number, length) for patient in patients]
        insert(connection, event, rows)
        insert(connection, event_patient, shown)
        if tell(connection, Sql(_MOVED, (length, head, self.number, self.length))) != 1:
            raise TornChain(f"chain {self.number} does not end at {self.length}")
        return Chain(self.number, length, head)


def content_of(chain: int, position: int, one: Event, patients: Sequence[str]) -> tuple[Any, ...]:
    """The columns of an event's row, all but its digest and link."""
    actor = one.actor
    only = patients[0] if len(patients) == 1 else ""
    return (
        chain, position, one.at, actor.id, actor.name, actor.role, actor.client, actor.source,
        one.act, one.type, one.id, one.version, only, one.outcome, one.query, actor.emergency,
    )  # fmt: skip


def digest_of(content: Sequence[Any], patients: Iterable[str]) -> str:
    """SHA-256 over an event's row and its patients, as hexadecimal digits."""
    return hashlib.sha256(msgspec.json.encode([*content, sorted(patients)])).hexdigest()


def link_of(before: str, digest: str) -> str:
    """The link of an event with this digest behind the link `before`."""
    return hashlib.sha256(f"{before}{digest}".encode()).hexdigest()
