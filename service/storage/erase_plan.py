"""What an erasure takes, found by walking over the stored documents; nothing is changed here."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from service.fhir import text
from service.fhir.erasing import (
    Key,
    belongs_to_none,
    episodes_of,
    goes_with,
    marks_of,
    names_of,
    points_to,
    same_person,
)
from service.storage.sql import Sql, ask, ask_first, both, one_of

_LAST = (
    "CASE WHEN r.deleted THEN (SELECT v.body FROM resource_version v WHERE v.pk = r.pk AND v.version = r.version - 1) "
    "ELSE r.body END"
)
_ONCE = f"SELECT r.pk, r.type, r.id, r.version, r.patient, {_LAST} AS body FROM resource r WHERE "  # noqa: S608
_ALL = (
    "SELECT r.pk, r.type, r.id, r.version, r.body FROM resource r WHERE NOT r.deleted UNION ALL "
    "SELECT r.pk, r.type, r.id, v.version, v.body FROM resource_version v JOIN resource r ON r.pk = v.pk"
)
_MOST = 100
CHUNK = 500


@dataclass(frozen=True, slots=True)
class Going:
    """One resource that goes, with all its versions; `version` is the last of them."""

    pk: int
    type: str
    id: str
    version: int
    patient: str

    @property
    def key(self) -> Key:
        """Its type and id."""
        return self.type, self.id


@dataclass(frozen=True, slots=True)
class Plan:
    """What an erasure of `target` takes from the record as it stands.

    `patients` are the ids of those whose whole record goes: the same person's, where patients were merged; empty when
    a single resource is meant. `touched` are versions (number of the resource, version) of resources that stay and
    refer to what goes, `staying` their types and ids with the last version; `repeats` are resources that stay and hold
    an identifier or address of the person, for somebody to look at. `first_at` is when the first version of all that
    goes was written (microseconds). `names` and `marks` are what the person is found by; never shown.
    """

    target: Key
    patients: tuple[str, ...]
    going: tuple[Going, ...]
    touched: tuple[tuple[int, int], ...]
    staying: tuple[tuple[str, str, int], ...]
    repeats: tuple[Key, ...]
    first_at: int
    names: frozenset[str] = field(repr=False)
    marks: frozenset[str] = field(repr=False)

    @property
    def digest(self) -> str:
        """What to compare whether anything moved since: over every resource and version that is taken or touched."""
        told = [sorted([one.type, one.id, one.version] for one in self.going), sorted(map(list, self.touched))]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def plan_of(connection: Connection, target: Key, *more: Key) -> Plan | None:
    """What an erasure of these resources, or of these patients' whole records, would take; None if there is no such."""
    asked = (ask_first(connection, Sql(f"{_ONCE} r.type = ? AND r.id = ?", key)) for key in (target, *more))
    found = [row for row in asked if row is not None]
    if not found:
        return None
    named = (_persons(connection, row.id) for row in found if row.type == "Patient")
    patients = tuple(sorted(set().union(*named)))
    walk = _Walk(connection, patients, found)
    walk.find_all()
    walk.look_at_the_rest()
    return Plan(
        target,
        patients,
        tuple(sorted(walk.going.values(), key=lambda one: one.pk)),
        tuple(sorted(walk.touched)),
        tuple(sorted(walk.staying)),
        tuple(sorted(walk.repeats)[:_MOST]),
        _first_at(connection, [one.pk for one in walk.going.values()]),
        frozenset(walk.names),
        frozenset(walk.marks),
    )


def _persons(connection: Connection, ident: str) -> set[str]:
    """This patient and those that it was merged with, in either direction and over several steps."""
    known: set[str] = set()
    waiting = {ident}
    while waiting:
        one = waiting.pop()
        known.add(one)
        row = ask_first(connection, Sql(f"{_ONCE} r.type = 'Patient' AND r.id = ?", (one,)))
        others = same_person(text.parse(row.body)) if row is not None and row.body else set()
        pointing = "parameter = 'link' AND type = 'Patient' AND value = ? AND lo IS NULL"
        referring = Sql(f"{_ONCE} r.pk IN (SELECT pk FROM search_index WHERE {pointing})", (one,))  # noqa: S608
        others |= {each.id for each in ask(connection, referring) if one in same_person(text.parse(each.body))}
        waiting |= others - known
    return known


class _Walk:
    """The walk over the documents, and what it has found so far."""

    def __init__(self, connection: Connection, patients: tuple[str, ...], targets: list[Any]) -> None:
        self._connection = connection
        self.going: dict[Key, Going] = {}
        self.episodes: set[Key] = set()
        self.attached: set[Key] = set()
        self.names: set[str] = set()
        self.marks: set[str] = set()
        self.touched: set[tuple[int, int]] = set()
        self.staying: set[tuple[str, str, int]] = set()
        self.repeats: set[Key] = set()
        owners = {*patients, *(target.patient for target in targets), ""}
        self._around = one_of("r.patient", sorted(owners))
        for row in (*targets, *self._once(one_of("r.patient", list(patients)))):
            self._take(row)

    def find_all(self) -> None:
        """Everything that goes with what goes, until nothing more does."""
        found = True
        while found:
            found = False
            for row in filter(self._goes, self._once(self._around)):
                self._take(row)
                found = True

    def look_at_the_rest(self) -> None:
        """Everything that stays: what refers to what goes, what repeats it, and which attachments it needs itself."""
        needed: set[Key] = set()
        for row in self._stays():
            needed |= self.attached & points_to(row.body)
        self._take_attachments(self.attached - needed)
        for row in self._stays():
            if not points_to(row.body).isdisjoint(self.going):
                self.touched.add((row.pk, row.version))
                self.staying.add((row.type, row.id, row.version))
            if any(mark in row.body for mark in self.marks):
                self.repeats.add((row.type, row.id))

    def _goes(self, row: Any) -> bool:
        if (row.type, row.id) in self.going or not row.body:
            return False
        points = not points_to(row.body).isdisjoint(self.going)
        if not points and not self.episodes:
            return False
        resource = text.parse(row.body)
        if goes_with(resource, self.going, self.episodes):
            return True
        return points and not row.patient and belongs_to_none(resource, self.going)

    def _take(self, row: Any) -> None:
        self.going[row.type, row.id] = Going(row.pk, row.type, row.id, row.version, row.patient)
        earlier = ask(self._connection, Sql("SELECT body FROM resource_version WHERE pk = ?", (row.pk,)))
        for body in {row.body, *(version.body for version in earlier)} - {""}:
            resource = text.parse(body)
            self.attached |= {key for key in points_to(body) if key[0] == "Binary"}
            self.names |= names_of(resource)
            self.marks |= marks_of(resource)
            self.episodes |= episodes_of(resource)

    def _take_attachments(self, keys: Iterable[Key]) -> None:
        for key in keys:
            for row in self._once(both([Sql("r.type = ? AND r.id = ?", key), Sql("r.patient = ''")])):
                self._take(row)

    def _stays(self) -> Iterator[Any]:
        """Every version of every resource that stays."""
        return (row for row in _streamed(self._connection, Sql(_ALL)) if (row.type, row.id) not in self.going)

    def _once(self, where: Sql) -> Iterator[Any]:
        return _streamed(self._connection, Sql(_ONCE + where.text, where.values))


def _streamed(connection: Connection, query: Sql) -> Iterator[Any]:
    """Rows as they come: there may be more of them than memory."""
    words = query.text if connection.dialect.paramstyle == "qmark" else query.text.replace("?", "%s")
    yield from connection.exec_driver_sql(words, query.values, execution_options={"yield_per": 1000})


def _first_at(connection: Connection, pks: list[int]) -> int:
    """When the first version of any of these was written."""
    found = []
    for start in range(0, len(pks), CHUNK):
        for table in ("resource", "resource_version"):
            some = one_of("pk", pks[start : start + CHUNK])
            query = Sql(f"SELECT min(updated) AS at FROM {table} WHERE {some.text}", some.values)  # noqa: S608
            found.append(ask(connection, query)[0][0])
    return min((int(at) for at in found if at is not None), default=0)
