"""What changed, newest first: versions of one resource, of all of some types."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import Connection

from service.fhir.search_dates import Interval
from service.storage.sql import Sql, ask, both, equals, one_of
from service.storage.stored import Stored

_COLUMNS = "pk, version, updated, deleted, method, body, patient"


@dataclass(frozen=True, slots=True)
class Span:
    """Which versions are meant: made at `since` (microseconds) or later, present at some moment of `at`."""

    since: int | None = None
    at: Interval | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in the list of changes: behind the version of the resource numbered `pk` that was made at `updated`."""

    updated: int
    pk: int
    version: int


@dataclass(frozen=True, slots=True)
class Changes:
    """Versions in order, and the mark behind the last where there are more."""

    versions: tuple[Stored, ...]
    next: Mark | None = None


def changes(
    connection: Connection, kinds: Collection[str], ident: str, span: Span, count: int, behind: Mark | None
) -> Changes:
    """At most `count` versions of resources of these types, or of one of them, behind a mark."""
    most = count + 1
    one = [Sql("r.id = ?", (ident,))] if ident else []
    which = both([one_of("r.type", sorted(kinds)), *one])
    later = (
        "coalesce((SELECT n.updated FROM resource_version n WHERE n.pk = v.pk AND n.version = v.version + 1), "
        "r.updated)"
    )
    joined = "resource_version v JOIN resource r ON r.pk = v.pk"
    earlier = _branch(joined, "v", [which, *_of_span(span, "v", later), *_behind(behind, "v")], most)
    # One part for each type, so that each walks the index of that type in the order that is wanted.
    parts = [
        _branch(
            "resource r", "r", [equals("r.type", kind), *one, *_of_span(span, "r", ""), *_behind(behind, "r")], most
        )
        for kind in sorted(kinds)
    ]
    listed = " UNION ALL ".join(f"SELECT * FROM ({part.text}) AS p{n}" for n, part in enumerate([*parts, earlier]))  # noqa: S608
    query = Sql(
        f"SELECT * FROM ({listed}) AS whole ORDER BY updated DESC, pk DESC, version DESC LIMIT {most}",  # noqa: S608
        tuple(value for part in (*parts, earlier) for value in part.values),
    )
    rows = ask(connection, query)
    versions = tuple(Stored.of(row.type, row.id, row) for row in rows[:count])
    if len(rows) <= count or not count:
        return Changes(versions)
    last = rows[count - 1]
    return Changes(versions, Mark(last.updated, last.pk, last.version))


def _branch(source: str, of: str, conditions: list[Sql], limit: int) -> Sql:
    where = both(conditions)
    columns = ", ".join(f"{of}.{name}" for name in _COLUMNS.split(", "))
    ordered = f"ORDER BY {of}.updated DESC, {of}.pk DESC, {of}.version DESC LIMIT {limit}"
    return Sql(f"SELECT r.type, r.id, {columns} FROM {source} WHERE {where.text} {ordered}", where.values)  # noqa: S608


def _of_span(span: Span, of: str, later: str) -> list[Sql]:
    """The conditions of a span; `later` is when the next version was made, empty where there is none."""
    conditions = []
    if span.since is not None:
        conditions.append(Sql(f"{of}.updated >= ?", (span.since,)))
    if span.at is not None:
        conditions.append(Sql(f"{of}.updated <= ?", (span.at.hi,)))
        if later:
            conditions.append(Sql(f"{later} > ?", (span.at.lo,)))
    return conditions


def _behind(mark: Mark | None, of: str) -> list[Sql]:
    if mark is None:
        return []
    bound = f"{of}.updated <= ? AND ({of}.updated < ? OR {of}.pk < ? OR ({of}.pk = ? AND {of}.version < ?))"
    return [Sql(bound, (mark.updated, mark.updated, mark.pk, mark.pk, mark.version))]
