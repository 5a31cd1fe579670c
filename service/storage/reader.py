"""Reading the record, within one transaction that sees one state of it throughout."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Select, select

from service.errors import Gone, Issue, NotFound, RecordError, SeveralMatches
from service.fhir import text
from service.fhir.merging import replacement_of
from service.fhir.search_parameters import Query
from service.storage import audit, charge_exports
from service.storage.ages import Age, ages
from service.storage.audit_check import Verdict, verify
from service.storage.changes import Changes, Mark, Span, changes
from service.storage.departures import Departure, departures
from service.storage.erase_plan import Plan, plan_of
from service.storage.export_jobs import ExportJobs
from service.storage.flat import coded_values
from service.storage.holders import Holder, holders_of, kept_holders
from service.storage.keeping import Keeping, is_erased
from service.storage.latest import latest
from service.storage.research import Research
from service.storage.search import search as find_matches
from service.storage.sql import Sql, ask, ask_first, both, equals, one_of
from service.storage.stored import Page, Stored
from service.storage.tables import observation, resource, resource_version, search_index

_CHUNK = 500


class Reader:
    """What can be asked of the record. Lives only inside `with records.read()`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def _asked(self) -> Connection:
        """The connection, when something is about to be asked of it."""
        return self._connection

    def find(self, kind: str, ident: str) -> Stored | None:
        """The present version, deleted or not; None if there never was such a resource."""
        row = self._row(kind, ident)
        return Stored.of(kind, ident, row) if row else None

    def get(self, kind: str, ident: str) -> Stored:
        """The present version. Raises `NotFound`, or `Gone` if it has been deleted."""
        return self._present(self.find(kind, ident), kind, ident)

    def version(self, kind: str, ident: str, version: int) -> Stored:
        """One version. Raises `NotFound` if there is none such, `Gone` if that version is the deletion."""
        current = self._row(kind, ident)
        if current is None or current.version == version:
            return self._present(Stored.of(kind, ident, current) if current else None, kind, ident)
        query = Sql("SELECT * FROM resource_version WHERE pk = ? AND version = ?", (current.pk, version))
        row = ask_first(self._asked(), query)
        return self._present(Stored.of(kind, ident, row) if row else None, kind, ident, f", version {version},")

    def history(self, kind: str, ident: str, *, count: int | None = None, before: int | None = None) -> list[Stored]:
        """All versions, newest first, deletions too; at most `count` of those below version `before`.

        Raises `NotFound` if there never was such a resource.
        """
        current = self._row(kind, ident)
        if current is None:
            raise self._missing(kind, ident)
        versions = [current] if before is None or current.version < before else []
        older = resource_version.c
        query = select(resource_version).where(older.pk == current.pk).order_by(older.version.desc())
        if before is not None:
            query = query.where(older.version < before)
        if count is not None:
            query = query.limit(count)
        versions += self._asked().execute(query).all()
        return [Stored.of(kind, ident, row) for row in versions[:count]]

    def changes(
        self, kinds: Collection[str], span: Span, count: int, behind: Mark | None = None, *, ident: str = ""
    ) -> Changes:
        """At most `count` versions of resources of these types, newest first; `ident`: of the one with this id."""
        return changes(self._asked(), kinds, ident, span, count, behind)

    def search(self, query: Query) -> Page:
        """One page of the matches."""
        return find_matches(self._asked(), query)

    def latest(self, query: Query, most: int) -> tuple[Stored, ...]:
        """At most `most` Observations of each code among the matches, newest first."""
        return latest(self._asked(), query, most)

    def coded_values(self, system: str, size: int) -> Iterator[list[Any]]:
        """Patient, visit, code, site, local day, status, value and unit of Observations; see `flat.coded_values`."""
        return coded_values(self._asked(), system, size)

    def by_identifier(self, kind: str, system: str, value: str) -> Stored | None:
        """The resource with this identifier. Raises `SeveralMatches` if several have it."""
        row = search_index.c
        found = select(row.pk).where(
            row.value == value, row.parameter == "identifier", row.type == kind, row.qualifier == system,
            row.lo.is_(None),
        )  # fmt: skip
        rows = self._asked().execute(select(resource).where(resource.c.pk.in_(found)).limit(2)).all()
        if len(rows) > 1:
            message = f"Several resources of type {kind} carry the identifier {system}|{value}."
            raise SeveralMatches(Issue("multiple-matches", message, "identifier", f"{system}|{value}"))
        return Stored.of(kind, rows[0].id, rows[0]) if rows else None

    def of_patient(self, patient_id: str, kind: str) -> Iterator[Stored]:
        """The present resources of one type that belong to one patient, in the order they came."""
        where = "patient = ? AND type = ? AND NOT deleted ORDER BY pk"
        query = Sql(f"SELECT * FROM resource WHERE {where}", (patient_id, kind))  # noqa: S608
        for row in ask(self._connection, query):
            yield Stored.of(kind, row.id, row)

    def several(self, keys: Collection[tuple[str, str]]) -> list[Stored]:
        """Those of these (type, id) that are in the record and not deleted, in the order they came."""
        rows = sorted(self._present_rows("*", keys), key=lambda row: int(row.pk))
        return [Stored.of(row.type, row.id, row) for row in rows]

    def existing(self, keys: Collection[tuple[str, str]]) -> set[tuple[str, str]]:
        """Those (type, id) of `keys` that are in the record and not deleted."""
        return {(row.type, row.id) for row in self._present_rows("type, id", keys)}

    def _present_rows(self, columns: str, keys: Collection[tuple[str, str]]) -> Iterator[Any]:
        """Rows of `resource`, asked by type: for pairs of type and id SQLite would read the whole table."""
        for kind, pairs in groupby(sorted(keys), key=itemgetter(0)):
            idents = [ident for _, ident in pairs]
            for start in range(0, len(idents), _CHUNK):
                where = both([equals("type", kind), one_of("id", idents[start : start + _CHUNK]), Sql("NOT deleted")])
                query = f"SELECT {columns} FROM resource WHERE {where.text}"  # noqa: S608
                yield from ask(self._connection, Sql(query, where.values))

    def referrers(self, kind: str, ident: str, limit: int = 10) -> list[str]:
        """References to some of the resources that point at this one by an indexed reference."""
        row = search_index.c
        own = resource.c.type.not_in([kind]) | resource.c.id.not_in([ident])
        sources: list[Select[Any]] = [select(row.pk).where(row.value == ident, row.qualifier == kind, row.lo.is_(None))]
        if kind == "Patient":
            sources.append(select(observation.c.pk).where(observation.c.patient == ident))
        if kind == "Encounter":
            sources.append(select(observation.c.pk).where(observation.c.encounter == ident))
        found: list[str] = []
        for source in sources:
            query = select(resource.c.type, resource.c.id).where(resource.c.pk.in_(source.limit(limit + 1)), own)
            found += [f"{one.type}/{one.id}" for one in self._asked().execute(query.limit(limit))]
        return found[:limit]

    def pointing(self, kind: str, parameter: str, target: str, idents: Sequence[str]) -> list[Stored]:
        """The present resources of a type whose reference parameter points at one of these (of the type `target`)."""
        pks: set[int] = set()
        for start in range(0, len(idents), _CHUNK):
            where = both([
                one_of("value", idents[start : start + _CHUNK]), equals("parameter", parameter), equals("type", kind),
                equals("qualifier", target), Sql("lo IS NULL"),
            ])  # fmt: skip
            query = f"SELECT DISTINCT pk FROM search_index WHERE {where.text}"  # noqa: S608
            pks |= {int(row.pk) for row in ask(self._asked(), Sql(query, where.values))}
        return [each for each in self._by_pk(sorted(pks)) if not each.deleted]

    def referring(self, kind: str, ident: str) -> list[Stored]:
        """All present resources that point at this one by an indexed reference, or, as Observations, are about it."""
        indexed = Sql("value = ? AND qualifier = ? AND lo IS NULL", (ident, kind))
        found_by = Sql(f"SELECT pk FROM search_index WHERE {indexed.text}", indexed.values)  # noqa: S608
        pks = {int(row.pk) for row in ask(self._asked(), found_by)}
        column = {"Patient": "patient", "Encounter": "encounter"}.get(kind)
        if column:
            query = Sql(f"SELECT pk FROM observation WHERE {column} = ?", (ident,))  # noqa: S608
            pks |= {int(row.pk) for row in ask(self._asked(), query)}
        return [each for each in self._by_pk(sorted(pks)) if not each.deleted and (each.type, each.id) != (kind, ident)]

    def replaced(self, patients: Collection[str]) -> dict[str, str]:
        """Those of these patients (ids) whose record was merged into another's, and into whose (id)."""
        if not patients:
            return {}
        where = both(
            [equals("type", "Patient"), one_of("id", sorted(patients)), Sql("body LIKE ?", ('%"replaced-by"%',))]
        )
        query = Sql(f"SELECT id, body FROM resource WHERE {where.text}", where.values)  # noqa: S608
        found = {row.id: replacement_of(text.parse(row.body)) for row in ask(self._asked(), query)}
        return {ident: other for ident, other in found.items() if other}

    def _by_pk(self, pks: Sequence[int]) -> Iterator[Stored]:
        for start in range(0, len(pks), _CHUNK):
            where = one_of("pk", pks[start : start + _CHUNK])
            for row in ask(self._asked(), Sql(f"SELECT * FROM resource WHERE {where.text} ORDER BY pk", where.values)):  # noqa: S608
                yield Stored.of(row.type, row.id, row)

    def departures(self, keys: Collection[tuple[str, str]]) -> list[Departure]:
        """With what these resources (type, id) have left the record."""
        return departures(self._asked(), keys)

    def trail(self, *, patient: str = "", of: tuple[str, str] | None = None) -> Iterator[audit.Entry]:
        """Who changed what, newest first: in one patient's record, of one resource (type, id), or in all."""
        return audit.trail(self._asked(), patient=patient, resource=of)

    def event(self, key: str) -> audit.Entry:
        """One thing that was done, by the id of its AuditEvent. Raises `NotFound`."""
        return audit.find(self._asked(), key)

    def events(self, query: Query) -> audit.Entries:
        """A page of what was done, newest first. Raises `Invalid` for what cannot be asked of events."""
        return audit.search(self._asked(), query)

    def verify_events(self, noted: dict[int, tuple[int, str]] | None = None) -> Verdict:
        """Whether anything that was written down was removed or altered; see `audit_check.verify`."""
        return verify(self._asked(), noted)

    @property
    def keeping(self) -> Keeping:
        """What is kept about keeping: erasures, legal holds, backups."""
        return Keeping(self._asked())

    @property
    def research(self) -> Research:
        """Studies, releases, and the record as it was at a transaction."""
        return Research(self._asked())

    @property
    def bulk(self) -> ExportJobs:
        """Bulk Data exports, and the record as one of them sees it."""
        return ExportJobs(self._asked())

    def erasure_plan(self, kind: str, ident: str, *more: tuple[str, str]) -> Plan:
        """What an erasure of a resource, or of a patient's whole record, would take, and of `more` of them together.

        Raises `NotFound` or `Gone` if there is none of them.
        """
        found = plan_of(self._asked(), (kind, ident), *more)
        if found is None:
            raise self._missing(kind, ident)
        return found

    def holders(self, of: Plan | str) -> list[Holder]:
        """Releases and exports that hold what a plan takes, or what an erasure (by id) took."""
        return kept_holders(self._asked(), of) if isinstance(of, str) else holders_of(self._asked(), of)

    def ages(self) -> Iterator[Age]:
        """When each patient was last seen, and how much is kept of them."""
        return ages(self._asked())

    def _present(self, stored: Stored | None, kind: str, ident: str, which: str = "") -> Stored:
        if stored is None:
            raise self._missing(kind, ident, which)
        if stored.deleted:
            raise Gone(f"{kind}/{ident}{which.rstrip(',')} has been deleted.")
        return stored

    def _missing(self, kind: str, ident: str, which: str = "") -> RecordError:
        """Why there is no such resource: it was erased, or there never was one."""
        if is_erased(self._asked(), kind, ident):
            return Gone(f"{kind}/{ident} was erased; nothing of it is kept.")
        return NotFound(f"There is no {kind}/{ident}{which.rstrip(',')}.")

    def exported(self, export: str) -> list[charge_exports.Line]:
        """The lines that an export of charges left with, its envelope first. Raises `NotFound`."""
        found = charge_exports.lines_of(self._asked(), export)
        if not found:
            raise NotFound(f"There is no export {export}.")
        return found

    def exports(self) -> Sequence[tuple[str, int]]:
        """Id and time (microseconds since 1970) of every export of charges, newest first."""
        return charge_exports.exports(self._asked())

    def _row(self, kind: str, ident: str) -> Any:
        query = Sql("SELECT * FROM resource WHERE type = ? AND id = ?", (kind, ident))
        return ask_first(self._connection, query)
