"""Changing the record, within the one transaction of `with records.write(actor)`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection

from service.domain.actor import Actor
from service.errors import Conflict, Duplicate, Gone, Issue, NotFound
from service.fhir import text
from service.fhir.search_dates import micros, moment
from service.fhir.search_parameters import Index, index
from service.storage import charge_exports
from service.storage.audit_chain import CHANGES, Chain, Event
from service.storage.backup import copy_in
from service.storage.erase import ERASE, erase
from service.storage.erase_plan import Plan
from service.storage.holders import holders_of, keep_holders
from service.storage.index_rows import general, narrow
from service.storage.inserts import insert
from service.storage.keeping import is_erased, is_held
from service.storage.pending import Pending
from service.storage.preconditions import checked_id, kind_of, require_version
from service.storage.sql import Sql, ask_first, tell
from service.storage.stored import Stored
from service.storage.tables import observation, resource, resource_version, search_index, txn
from service.storage.versions import same, stamp, without_stamp

_VERSION = tuple(column.name for column in resource_version.c)
_NEWEST = Sql(
    "SELECT number, at, (SELECT coalesce(max(pk), 0) FROM resource) AS pk FROM txn ORDER BY number DESC LIMIT 1"
)
_NEXT = (
    "UPDATE resource SET patient = ?, version = ?, txn = ?, updated = ?, method = ?, deleted = ?, body = ? WHERE pk = ?"
)


class Writer(Pending):
    """Reads and changes. One at a time in all processes, so that the order of numbers is the order of commits."""

    def __init__(self, connection: Connection, actor: Actor) -> None:
        super().__init__(connection)
        self._actor = actor
        self._number = self._at = self._next_pk = 0
        self._events: list[Event] = []
        self._made_up: set[str] = set()

    def seal(self) -> None:
        """Write down what was changed, as the next events of the chain of changes: the last act before the commit."""
        self.flush()
        if self._events:
            Chain.of(self._connection, CHANGES).append(self._connection, self._events)

    @property
    def changed(self) -> dict[tuple[str, str], tuple[int, int]]:
        """What this transaction changed so far, by type and id: the version before (0: none) and the present."""
        found: dict[tuple[str, str], tuple[int, int]] = {}
        for event in self._events:
            first, _ = found.get((event.type, event.id), (event.version - 1, 0))
            found[event.type, event.id] = first, event.version
        return found

    def new_id(self) -> str:
        """An id for `create` that no resource has, so that nothing needs to be looked up."""
        ident = str(uuid4())
        self._made_up.add(ident)
        return ident

    def create(self, document: text.Json, *, id: str | None = None) -> Stored:  # noqa: A002 - FHIR's word
        """Store a new resource under `id`, or an id of the store's own making; `document` keeps its own copy.

        Raises `Duplicate` if there is, or was, a resource of that type and id.
        """
        kind, ident = kind_of(document), checked_id(id or self.new_id())
        is_new = ident in self._made_up
        self._made_up.discard(ident)
        if not is_new:
            if self._row(kind, ident) is not None:
                message = f"There is a {kind}/{ident} already."
                raise Duplicate(Issue("duplicate", message, where=f"{kind}.id", value=ident))
            self._require_free(kind, ident)
        return self._insert(kind, ident, document)

    def update(self, document: text.Json, *, expected: int | None = None) -> Stored:
        """Store the next version; create the resource if its id is free, bring it back if it was deleted.

        A document that says the same as the present version, to the digit, makes no new version. Raises
        `PreconditionFailed` if `expected` is not the present version.
        """
        kind = kind_of(document)
        ident = checked_id(document.get("id", ""))
        row = self._row(kind, ident)
        require_version(f"{kind}/{ident}", row, expected)
        if row is None:
            self._require_free(kind, ident)
            return self._insert(kind, ident, document)
        if not row.deleted and same(without_stamp(document), without_stamp(text.parse(row.body))):
            return Stored.of(kind, ident, row)
        self._begin()
        stamped = stamp(document, ident, row.version + 1, moment(self._at))
        found = index(stamped)
        self._supersede(row, found.patient, "update", text.dump(stamped).decode())
        self._index(row.pk, kind, found)
        return self._recorded(kind, ident, row.patient)

    def delete(self, kind: str, ident: str, *, expected: int | None = None) -> Stored:
        """Mark a resource deleted, as a version of its own; deleting it again changes nothing.

        Raises `NotFound` if there never was such a resource, `PreconditionFailed` as `update` does.
        """
        row = self._row(kind, ident)
        if row is None:
            raise NotFound(f"There is no {kind}/{ident}.")
        require_version(f"{kind}/{ident}", row, expected)
        if row.deleted:
            return Stored.of(kind, ident, row)
        if is_held(self._connection, [row.patient]):
            message = f"{kind}/{ident} belongs to a record under a legal hold: nothing of it is deleted."
            raise Conflict(Issue("conflict", message, rule="legal-hold"))
        self._begin()
        self._supersede(row, row.patient, "delete", "")
        self._unindex(row.pk)
        return self._recorded(kind, ident, row.patient)

    def note(self, act: str, of: tuple[str, str], query: str = "", patients: Sequence[str] = ()) -> datetime:
        """Write down something that was done beside the record, to a resource (type, id); answers when."""
        self._begin()
        self._events.append(Event(self._at, self._actor, act, *of, patients=tuple(patients), query=query))
        return moment(self._at)

    def fill(self, source: Connection) -> None:
        """Take every row of a backup over. Raises `Conflict` unless nothing was ever written into this record."""
        copy_in(source, self._connection)

    def erase(self, plan: Plan, erasure: str) -> datetime:
        """Erase what a plan takes, all versions of it, for good; answers when.

        The trail keeps the type and id of each; what stays has its references to them taken out.
        """
        self._begin()
        self.flush()
        self._forget()
        keep_holders(self._connection, erasure, holders_of(self._connection, plan))
        lost = erase(self._connection, plan, erasure)
        for kind, ident in {(kind, ident) for kind, ident, _ in plan.staying}:
            row = self._row(kind, ident)
            if not row.deleted:
                self._index(row.pk, kind, index(text.parse(row.body)))
        for one in plan.going:
            told = (self._at, self._actor, ERASE, one.type, one.id, one.version)
            self._events.append(Event(*told, (one.patient,), query=f"erasure={erasure}"))
        return self.note(ERASE, ("", ""), f"erasure={erasure}&emptied={lost}", plan.patients)

    @contextmanager
    def attempt(self) -> Iterator[None]:
        """Changes that are undone alone if an error leaves this block; the rest of the transaction goes on."""
        self._begin()
        self.flush()
        before = len(self._events)
        try:
            with self._connection.begin_nested():
                yield
                self.flush()
        except BaseException:
            del self._events[before:]
            self._forget()
            raise
        finally:
            self._waiting = {}

    def export(self, lines: Iterable[charge_exports.Line]) -> None:
        """Keep the lines that an export of charges leaves with."""
        charge_exports.keep(self._asked(), lines)

    def reindex(self, kind: str, ident: str) -> None:
        """Derive the index rows of a resource from its document again. Raises `NotFound` or `Gone`."""
        row = self._row(kind, ident)
        if row is None:
            raise NotFound(f"There is no {kind}/{ident}.")
        if row.deleted:
            raise Gone(f"{kind}/{ident} has been deleted.")
        found = index(text.parse(row.body))
        tell(self._connection, Sql("UPDATE resource SET patient = ? WHERE pk = ?", (found.patient, row.pk)))
        self._index(row.pk, kind, found)

    def _require_free(self, kind: str, ident: str) -> None:
        """Raise `Gone` for an id that something erased had: a copy of it elsewhere must not bring it back."""
        if is_erased(self._connection, kind, ident):
            message = f"{kind}/{ident} was erased; what is new needs another id."
            raise Gone(Issue("deleted", message, f"{kind}.id", ident))

    def _begin(self) -> None:
        """Give this transaction its number, before its first change; time never runs backwards from one to the next."""
        if self._number:
            return
        last = ask_first(self._connection, _NEWEST)
        now = micros(datetime.now(UTC))
        self._number, self._at = (last.number + 1, max(now, last.at + 1)) if last else (1, now)
        self._next_pk = (last.pk if last else 0) + 1
        insert(self._connection, txn, [(self._number, self._at, self._actor.id)])

    def _insert(self, kind: str, ident: str, document: text.Json) -> Stored:
        self._begin()
        self._note_new(kind, ident)
        pk, self._next_pk = self._next_pk, self._next_pk + 1
        stamped = stamp(document, ident, 1, moment(self._at))
        found = index(stamped)
        body = text.dump(stamped)
        version = (1, self._number, self._at, "create", False, body.decode())
        self._later(resource, [(pk, kind, ident, found.patient, *version)])
        self._insert_index(pk, kind, found)
        stored = Stored(kind, ident, 1, moment(self._at), False, "create", body, found.patient)
        self._audit(stored)
        return stored

    def _supersede(self, row: Any, patient: str, method: str, body: str) -> None:
        """Move the present version among the earlier ones and put the next in its place."""
        self._forget()
        self._later(resource_version, [tuple(getattr(row, name) for name in _VERSION)])
        version = (patient, row.version + 1, self._number, self._at, method, method == "delete", body)
        tell(self._connection, Sql(_NEXT, (*version, row.pk)))

    def _recorded(self, kind: str, ident: str, before: str) -> Stored:
        """The version just made of a resource that belonged to the patient `before`."""
        stored = Stored.of(kind, ident, self._row(kind, ident))
        self._audit(stored, before)
        return stored

    def _audit(self, stored: Stored, *others: str) -> None:
        told = (self._at, self._actor, stored.method, stored.type, stored.id, stored.version)
        self._events.append(Event(*told, (stored.patient, *others)))

    def _unindex(self, pk: int) -> None:
        self.flush()
        tell(self._connection, Sql("DELETE FROM observation WHERE pk = ?", (pk,)))
        tell(self._connection, Sql("DELETE FROM search_index WHERE pk = ?", (pk,)))

    def _index(self, pk: int, kind: str, found: Index) -> None:
        self._unindex(pk)
        self._insert_index(pk, kind, found)

    def _insert_index(self, pk: int, kind: str, found: Index) -> None:
        self._later(observation, (narrow(pk, found.patient, row) for row in found.observation))
        self._later(
            search_index, (general(pk, place, found.patient, kind, row) for place, row in enumerate(found.rows))
        )
