"""What is kept about keeping: erasures and what they left, legal holds, backups that were made."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection, Row, select, update

from service.errors import Issue, NotFound
from service.fhir.erasing import Key
from service.fhir.search_dates import micros, moment
from service.storage.inserts import insert
from service.storage.keeping_tables import backup, erasure, legal_hold, tombstone
from service.storage.sql import Sql, ask, both, one_of
from service.storage.tables import meta

_AWAITED = "restored-from"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who asked for something or decided on it."""

    id: str
    name: str


@dataclass(frozen=True, slots=True)
class Erasure:
    """What somebody asked to have erased. `state` is asked, withdrawn or erased; `cleaned` is when no trace was left.

    `taken` is how many resources went, `first` when the first version of any of them was written.
    """

    id: str
    target: Key
    state: str
    reason: str
    asked: Person
    asked_at: datetime
    decided: Person | None = None
    decided_at: datetime | None = None
    first: datetime | None = None
    taken: int = 0
    cleaned: datetime | None = None


@dataclass(frozen=True, slots=True)
class Hold:
    """A legal hold on a patient's record; in force until it is lifted."""

    id: str
    patient: str
    reason: str
    by: str
    at: datetime
    lifted_by: str = ""
    lifted_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was made, and when somebody said that it was destroyed."""

    id: str
    name: str
    at: datetime
    gone_at: datetime | None = None


class Keeping:
    """The tables beside the record, within the transaction of a Reader or Writer."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def erasures(self, state: str = "") -> list[Erasure]:
        """Every erasure that was asked for, the last first; of one state, if one is named."""
        query = select(erasure).order_by(erasure.c.asked_at.desc(), erasure.c.id)
        rows = self._connection.execute(query.where(erasure.c.state == state) if state else query)
        return [_erasure(row) for row in rows]

    def erasure(self, ident: str) -> Erasure:
        """One erasure. Raises `NotFound`."""
        row = self._connection.execute(select(erasure).where(erasure.c.id == ident)).first()
        if row is None:
            raise NotFound(Issue("not-found", "There is no such erasure.", "id", ident))
        return _erasure(row)

    def keep(self, one: Erasure) -> None:
        """Write an erasure down, new or changed."""
        values = _values(one)
        if self._connection.execute(update(erasure).where(erasure.c.id == one.id).values(**values)).rowcount == 0:
            insert(self._connection, erasure, [tuple(values[column.name] for column in erasure.c)])

    def tombs(self, ident: str) -> list[Key]:
        """The types and ids that an erasure took."""
        rows = self._connection.execute(select(tombstone).where(tombstone.c.erasure == ident))
        return sorted((row.type, row.id) for row in rows)

    def bury(self, ident: str, keys: Iterable[Key]) -> None:
        """Put tombstones of an erasure where none stand yet."""
        missing = [key for key in dict.fromkeys(keys) if not is_erased(self._connection, *key)]
        insert(self._connection, tombstone, [(*key, ident) for key in missing])

    def holds(self, *, all_of: bool = False) -> list[Hold]:
        """The legal holds in force, the last first; `all_of`: those that were lifted too."""
        query = select(legal_hold).order_by(legal_hold.c.placed_at.desc(), legal_hold.c.id)
        rows = self._connection.execute(query if all_of else query.where(legal_hold.c.lifted_at == 0))
        return [_hold(row) for row in rows]

    def hold(self, ident: str) -> Hold:
        """One legal hold. Raises `NotFound`."""
        row = self._connection.execute(select(legal_hold).where(legal_hold.c.id == ident)).first()
        if row is None:
            raise NotFound(Issue("not-found", "There is no such legal hold.", "id", ident))
        return _hold(row)

    def place(self, patient: str, reason: str, by: str, at: datetime) -> Hold:
        """Put a legal hold on a patient's record."""
        made = Hold(str(uuid4()), patient, reason, by, at)
        insert(self._connection, legal_hold, [(made.id, patient, reason, by, micros(at), "", 0)])
        return made

    def lift(self, one: Hold, by: str, at: datetime) -> Hold:
        """End a legal hold."""
        values = {"lifted_by": by, "lifted_at": micros(at)}
        self._connection.execute(update(legal_hold).where(legal_hold.c.id == one.id).values(**values))
        return replace(one, lifted_by=by, lifted_at=at)

    def backups(self, since: datetime | None = None) -> list[Backup]:
        """Backups that are not known to be destroyed, the last first: all, or those made at `since` or later."""
        query = select(backup).where(backup.c.gone_at == 0).order_by(backup.c.at.desc(), backup.c.id)
        rows = self._connection.execute(query.where(backup.c.at >= micros(since)) if since else query)
        return [Backup(row.id, row.name, moment(row.at)) for row in rows]

    def made(self, one: Backup) -> None:
        """Write down that a backup was made."""
        insert(self._connection, backup, [(one.id, one.name, micros(one.at), 0)])

    def destroyed(self, ident: str, at: datetime) -> None:
        """Write down that a backup is no more. Raises `NotFound`."""
        this = update(backup).where(backup.c.id == ident, backup.c.gone_at == 0).values(gone_at=micros(at))
        if self._connection.execute(this).rowcount == 0:
            raise NotFound(Issue("not-found", "There is no such backup, or it is known to be destroyed.", "id", ident))

    def await_settings(self, backup_id: str, names: Sequence[str]) -> None:
        """Write down that this record was restored, and which variables were set where its backup was made."""
        self._connection.execute(meta.delete().where(meta.c.key == _AWAITED))
        told = json.dumps({"backup": backup_id, "settings": list(names)})
        self._connection.execute(meta.insert(), [{"key": _AWAITED, "value": told}])

    def awaited_settings(self) -> tuple[str, tuple[str, ...]]:
        """The backup that this record was restored from and the variables set there; empty if it was not restored."""
        found = self._connection.execute(select(meta.c.value).where(meta.c.key == _AWAITED)).scalar()
        told = json.loads(found) if found else {"backup": "", "settings": []}
        return str(told["backup"]), tuple(map(str, told["settings"]))


def is_held(connection: Connection, patients: Collection[str]) -> bool:
    """Whether the record of one of these patients is under a legal hold."""
    those = one_of("patient", [patient for patient in patients if patient])
    query = both([those, Sql("lifted_at = 0")])
    found = ask(connection, Sql(f"SELECT id FROM legal_hold WHERE {query.text} LIMIT 1", query.values))  # noqa: S608
    return bool(found)


def is_erased(connection: Connection, kind: str, ident: str) -> bool:
    """Whether there was such a resource, and it was erased."""
    query = Sql("SELECT erasure FROM tombstone WHERE type = ? AND id = ?", (kind, ident))
    return bool(ask(connection, query))


def _values(one: Erasure) -> dict[str, Any]:
    decided = one.decided or Person("", "")
    values: Sequence[Any] = (
        one.id, *one.target, one.state, one.reason, one.asked.id, one.asked.name, micros(one.asked_at),
        decided.id, decided.name, _micros(one.decided_at), _micros(one.first), one.taken, _micros(one.cleaned),
    )  # fmt: skip
    return dict(zip((column.name for column in erasure.c), values, strict=True))


def _erasure(row: Row[Any]) -> Erasure:
    return Erasure(
        row.id, (row.type, row.ident), row.state, row.reason, Person(row.asked_by, row.asked_name),
        moment(row.asked_at), Person(row.decided_by, row.decided_name) if row.decided_by else None,
        _moment(row.decided_at), _moment(row.first_at), row.taken, _moment(row.cleaned_at),
    )  # fmt: skip


def _hold(row: Row[Any]) -> Hold:
    lifted = _moment(row.lifted_at)
    return Hold(row.id, row.patient, row.reason, row.placed_by, moment(row.placed_at), row.lifted_by, lifted)


def _micros(at: datetime | None) -> int:
    return micros(at) if at else 0


def _moment(at: int) -> datetime | None:
    return moment(at) if at else None
