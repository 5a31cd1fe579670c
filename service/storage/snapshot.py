"""The record as it was when a transaction had been committed, read in pieces while others go on writing.

A piece is what stands behind a resource, in the order of internal numbers; those are given once and never change. So
pieces read one after the other, in different transactions, hold each resource once, as it was then.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from service.storage.sql import Sql, ask, both, either, one_of


@dataclass(frozen=True, slots=True)
class Window:
    """What is looked at: resources of a type as of a transaction, whose number and moment (microseconds) these are.

    `since`: only what was changed after that moment. `patients`: only what belonged to one of them; with `owned`, to
    any. `deleted`: the deletions instead of what stood.
    """

    kind: str
    number: int
    at: int
    since: int | None = None
    patients: tuple[str, ...] | None = None
    owned: bool = False
    deleted: bool = False

    def holds(self, version: Version) -> bool:
        """Whether a version that stood then is meant."""
        if version.deleted != self.deleted or (self.since is not None and version.updated <= self.since):
            return False
        if self.patients is not None and version.patient not in self.patients:
            return False
        return not self.owned or bool(version.patient)


class Version(NamedTuple):
    """A version of a resource; `pk` is its internal number, `body` its text, empty for a deletion.

    A row of the database with these columns stands for one: to make another of each would take as long as to read it.
    """

    pk: int
    id: str
    patient: str
    version: int
    txn: int
    updated: int
    deleted: bool
    body: str


class Found(NamedTuple):
    """A piece: the versions meant, the last internal number that was looked at, and whether there is nothing behind."""

    versions: list[Version]
    upto: int
    last: bool


_TOGETHER = 400
"""Alternatives of one condition; SQLite refuses a thousand."""
_COLUMNS = "patient, version, txn, updated, deleted, body"


def versions(connection: Connection, window: Window, behind: int, count: int) -> Found:
    """The piece of at most `count` resources behind an internal number."""
    where = both([Sql("type = ? AND pk > ?", (window.kind, behind)), *_narrowed(window)])
    text = f"SELECT pk, id, {_COLUMNS} FROM resource WHERE {where.text} ORDER BY pk LIMIT {int(count)}"  # noqa: S608
    rows: list[Version] = ask(connection, Sql(text, where.values))
    ids = {row.pk: row.id for row in rows if row.txn > window.number}
    stood: Iterable[Version | None] = rows
    if ids:
        earlier = {
            row.pk: Version(row.pk, ids[row.pk], *row[1:]) for row in _then(connection, list(ids), window.number)
        }
        stood = (earlier.get(row.pk) if row.pk in ids else row for row in rows)
    found = [each for each in stood if each is not None and window.holds(each)]
    return Found(found, rows[-1].pk if rows else behind, len(rows) < count)


def before(connection: Connection, gone: list[Version]) -> dict[int, str]:
    """The text of what each of these deletions deleted, by internal number."""
    found: dict[int, str] = {}
    for start in range(0, len(gone), _TOGETHER):
        some = gone[start : start + _TOGETHER]
        places = either(Sql("pk = ? AND version = ?", (each.pk, each.version - 1)) for each in some)
        text = f"SELECT pk, body FROM resource_version WHERE {places.text}"  # noqa: S608
        found |= {row.pk: row.body for row in ask(connection, Sql(text, places.values))}
    return found


def _narrowed(window: Window) -> list[Sql]:
    """Conditions that leave no more than needed to be looked at: each holds for all that is meant.

    A resource that was changed since may have belonged to another patient then.
    """
    conditions = []
    if window.since is not None:
        conditions.append(Sql("updated > ?", (window.since,)))
    if window.patients is not None:
        conditions.append(either([one_of("patient", window.patients), Sql("updated > ?", (window.at,))]))
    return conditions


def _then(connection: Connection, pks: list[int], number: int) -> list[Any]:
    """The versions of these resources that stood at a transaction."""
    if not pks:
        return []
    later = "SELECT 1 FROM resource_version y WHERE y.pk = x.pk AND y.version > x.version AND y.txn <= ?"
    where = both([one_of("x.pk", pks), Sql(f"x.txn <= ? AND NOT EXISTS ({later})", (number, number))])
    return ask(connection, Sql(f"SELECT pk, {_COLUMNS} FROM resource_version x WHERE {where.text}", where.values))  # noqa: S608
