"""One page of the matches of a `Query`.

Pages are keyset pages: the cursor holds the order key and the internal number of the last match, so a deep page costs
what the first one does, and a resource written meanwhile neither shifts nor repeats the others. The cursor also holds
the highest internal number when the first page was read: what was created later is not part of the search. A resource
whose own order key is changed meanwhile has a new place, which the reader may have passed already.
"""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from service.errors import Invalid, Issue
from service.fhir.search_dates import UNDATED
from service.fhir.search_parameters import Query
from service.storage.conditions import conditions_of
from service.storage.sql import Sql, ask, both
from service.storage.stored import VERSION, Page, Stored


def search(connection: Connection, query: Query) -> Page:
    """One page of matches. Raises `Invalid` for a cursor that does not belong to this search."""
    table = "observation" if query.type == "Observation" else "resource"
    where, distinct = conditions_of(query)
    total = _total(connection, table, where, distinct) if query.total or query.count == 0 else None
    if query.count == 0:
        return Page((), total)
    order = _order(query)
    cursor = _Cursor.read(query, order) if query.cursor else None
    rows = ask(connection, _page(table, where, distinct, order, cursor, query.count + 1)).all()
    matches = tuple(Stored.of(query.type, row.id, row) for row in rows[: query.count])
    if len(rows) <= query.count:
        return Page(matches, total)
    last = rows[query.count - 1]
    return Page(matches, total, _Cursor(last.key, last.pk, cursor.top if cursor else last.top).write(query))


def _total(connection: Connection, table: str, where: Sql, distinct: bool) -> int:
    counted = "DISTINCT pk" if distinct else "*"
    query = Sql(f"SELECT count({counted}) FROM {table} WHERE {where.text}", where.values)  # noqa: S608
    return int(ask(connection, query).scalar_one())


@dataclass(frozen=True, slots=True)
class _Order:
    """What orders the matches: a key, then the internal number, both in the same direction."""

    key: str
    descending: bool
    values: tuple[Any, ...] = ()
    textual: bool = False

    @property
    def direction(self) -> str:
        return "DESC" if self.descending else "ASC"


def _order(query: Query) -> _Order:
    of_observations = query.type == "Observation"
    if of_observations and query.sort in ("", "date"):
        return _Order('"start"', query.descending or not query.sort)
    if not query.sort:
        return _Order("pk", descending=False)
    if query.sort in ("_id", "_lastUpdated"):
        column = "id" if query.sort == "_id" else "updated"
        if of_observations:
            column = f"(SELECT r.{column} FROM resource r WHERE r.pk = observation.pk)"  # noqa: S608
        return _Order(column, query.descending, textual=query.sort == "_id")
    outer = "observation" if of_observations else "resource"
    earliest = f"SELECT min(s.lo) FROM search_index s WHERE s.pk = {outer}.pk AND s.parameter = ?"  # noqa: S608
    return _Order(f"coalesce(({earliest}), {UNDATED})", query.descending, (query.sort,))


def _page(table: str, where: Sql, distinct: bool, order: _Order, cursor: _Cursor | None, limit: int) -> Sql:
    """The keys of the page first, from the index alone; only their documents are fetched."""
    if cursor:
        where = both([where, _behind(order, cursor)])
    which = "DISTINCT " if distinct else ""
    keys = (
        f"SELECT {which}pk, {order.key} AS key FROM {table} WHERE {where.text} "  # noqa: S608
        f"ORDER BY key {order.direction}, pk {order.direction} LIMIT {limit}"
    )
    whole = (
        f"SELECT r.pk, r.id, {VERSION}, page.key AS key, (SELECT max(pk) FROM resource) AS top "  # noqa: S608
        f"FROM ({keys}) AS page JOIN resource r ON r.pk = page.pk "
        f"ORDER BY page.key {order.direction}, page.pk {order.direction}"
    )
    return Sql(whole, (*order.values, *where.values))


def _behind(order: _Order, cursor: _Cursor) -> Sql:
    """The rows behind the cursor; by this form both databases seek, by the textbook form they scan.

    The sum keeps the planner from walking by internal number.
    """
    sign, key = "<" if order.descending else ">", order.key
    return Sql(
        f"pk + 0 <= ? AND {key} {sign}= ? AND ({key} {sign} ? OR pk {sign} ?)",
        (cursor.top, *order.values, cursor.key, *order.values, cursor.key, cursor.pk),
    )


@dataclass(frozen=True, slots=True)
class _Cursor:
    """Where the next page begins: behind (`key`, `pk`), among resources numbered up to `top`."""

    key: int | str
    pk: int
    top: int

    def write(self, query: Query) -> str:
        plain = json.dumps([query.type, _named(query), self.key, self.pk, self.top]).encode()
        return base64.urlsafe_b64encode(plain).rstrip(b"=").decode()

    @classmethod
    def read(cls, query: Query, order: _Order) -> _Cursor:
        try:
            padded = query.cursor.encode("ascii") + b"=" * (-len(query.cursor) % 4)
            kind, name, key, pk, top = json.loads(base64.b64decode(padded, b"-_", validate=True))
        except (ValueError, TypeError):
            raise _foreign(query) from None
        whole = all(isinstance(number, int) and abs(number) < 2**63 for number in (pk, top))
        fits = isinstance(key, str) if order.textual else isinstance(key, int) and abs(key) < 2**63
        if (kind, name) != (query.type, _named(query)) or not (whole and fits):
            raise _foreign(query)
        return cls(key, pk, top)


def _named(query: Query) -> str:
    return ("-" if query.descending else "") + query.sort


def _foreign(query: Query) -> Invalid:
    message = "This is no cursor of this search; follow the link to the next page as it was given."
    return Invalid(Issue("invalid", message, where="_cursor", value=query.cursor, rule="search-value"))
