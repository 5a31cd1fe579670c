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
from service.fhir.search_parameters import Query, parameters_of
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
    rows = ask(connection, _page(table, where, distinct, order, cursor, query.count + 1))
    matches = tuple(Stored.of(query.type, row.id, row) for row in rows[: query.count])
    if len(rows) <= query.count:
        return Page(matches, total)
    last = rows[query.count - 1]
    keys = tuple(getattr(last, f"key{place}") for place in range(len(order)))
    return Page(matches, total, _Cursor(keys, last.pk, cursor.top if cursor else last.top).write(query))


def _total(connection: Connection, table: str, where: Sql, distinct: bool) -> int:
    counted = "DISTINCT pk" if distinct else "*"
    query = Sql(f"SELECT count({counted}) FROM {table} WHERE {where.text}", where.values)  # noqa: S608
    return int(ask(connection, query)[0][0])


@dataclass(frozen=True, slots=True)
class _Key:
    """One thing that orders: an expression with its values, and the direction."""

    sql: Sql
    descending: bool
    textual: bool = False

    @property
    def direction(self) -> str:
        return "DESC" if self.descending else "ASC"


Order = tuple[_Key, ...]
"""The keys in turn; the internal number settles what they leave open, in the direction of the first."""


def _order(query: Query) -> Order:
    return tuple(_key(query, name, down) for name, down in ((query.sort, query.descending), *query.then))


_LOWEST = "(SELECT min(o.{}) FROM observation o WHERE o.pk = observation.pk)"
"""One key for all rows of an Observation: by the code of each it would come once for each."""
_NARROW = {"status": "status", "code": _LOWEST.format("code"), "category": _LOWEST.format("category")}


def _key(query: Query, name: str, descending: bool) -> _Key:
    of_observations = query.type == "Observation"
    if of_observations and name in ("", "date"):
        return _Key(Sql('"start"'), descending or not name)
    if not name:
        return _Key(Sql("pk"), descending=False)
    if name in ("_id", "_lastUpdated"):
        column = "id" if name == "_id" else "updated"
        if of_observations:
            column = f"(SELECT r.{column} FROM resource r WHERE r.pk = observation.pk)"  # noqa: S608
        return _Key(Sql(column), descending, textual=name == "_id")
    if of_observations and name in _NARROW:
        return _Key(Sql(_NARROW[name]), descending, textual=True)
    if of_observations and name in ("patient", "subject", "encounter"):
        return _Key(Sql("encounter" if name == "encounter" else "patient"), descending, textual=True)
    return _indexed(query, name, descending)


def _indexed(query: Query, name: str, descending: bool) -> _Key:
    """The lowest of the values that the general index holds under a name; none is the lowest of all."""
    outer = "observation" if query.type == "Observation" else "resource"
    textual = parameters_of(query.type)[name].kind in ("token", "string", "reference", "uri")
    column, none = ("s.value", "''") if textual else ("s.lo", str(UNDATED))
    lowest = f"SELECT min({column}) FROM search_index s WHERE s.pk = {outer}.pk AND s.parameter = ?"  # noqa: S608
    return _Key(Sql(f"coalesce(({lowest}), {none})", (name,)), descending, textual)


def _page(table: str, where: Sql, distinct: bool, order: Order, cursor: _Cursor | None, limit: int) -> Sql:
    """The keys of the page first, from the index alone; only their documents are fetched."""
    if cursor:
        where = both([where, _behind(order, cursor)])
    which = "DISTINCT " if distinct else ""
    listed = ", ".join(f"{key.sql.text} AS key{place}" for place, key in enumerate(order))
    directions = [f"key{place} {key.direction}" for place, key in enumerate(order)]
    ordered = ", ".join([*directions, f"pk {order[0].direction}"])
    keys = f"SELECT {which}pk, {listed} FROM {table} WHERE {where.text} ORDER BY {ordered} LIMIT {limit}"  # noqa: S608
    outer = ", ".join([*(f"page.{each}" for each in directions), f"page.pk {order[0].direction}"])
    shown = ", ".join(f"page.key{place}" for place in range(len(order)))
    whole = (
        f"SELECT r.pk, r.id, {VERSION}, {shown}, (SELECT max(pk) FROM resource) AS top "  # noqa: S608
        f"FROM ({keys}) AS page JOIN resource r ON r.pk = page.pk ORDER BY {outer}"
    )
    return Sql(whole, (*(value for key in order for value in key.sql.values), *where.values))


def _behind(order: Order, cursor: _Cursor) -> Sql:
    """The rows behind the cursor; by this form both databases seek, by the textbook form they scan.

    The sum keeps the planner from walking by internal number.
    """
    sign = "<" if order[0].descending else ">"
    rest = Sql(f"pk {sign} ?", (cursor.pk,))
    for key, value in zip(reversed(order), reversed(cursor.keys), strict=True):
        sign, (text, values) = "<" if key.descending else ">", key.sql
        rest = Sql(
            f"{text} {sign}= ? AND ({text} {sign} ? OR {rest.text})",
            (*values, value, *values, value, *rest.values),
        )
    return Sql(f"pk + 0 <= ? AND {rest.text}", (cursor.top, *rest.values))


@dataclass(frozen=True, slots=True)
class _Cursor:
    """Where the next page begins: behind (`keys`, `pk`), among resources numbered up to `top`."""

    keys: tuple[int | str, ...]
    pk: int
    top: int

    def write(self, query: Query) -> str:
        plain = json.dumps([query.type, _named(query), list(self.keys), self.pk, self.top]).encode()
        return base64.urlsafe_b64encode(plain).rstrip(b"=").decode()

    @classmethod
    def read(cls, query: Query, order: Order) -> _Cursor:
        try:
            padded = query.cursor.encode("ascii") + b"=" * (-len(query.cursor) % 4)
            kind, name, keys, pk, top = json.loads(base64.b64decode(padded, b"-_", validate=True))
        except (ValueError, TypeError):
            raise _foreign(query) from None
        numbers = all(isinstance(number, int) and abs(number) < 2**63 for number in (pk, top))
        if (kind, name) != (query.type, _named(query)) or not numbers or not _fit(keys, order):
            raise _foreign(query)
        return cls(tuple(keys), pk, top)


def _fit(keys: Any, order: Order) -> bool:
    """Whether these can be values of the keys of the order."""
    if not isinstance(keys, list) or len(keys) != len(order):
        return False
    return all(
        isinstance(value, str) if key.textual else isinstance(value, int) and abs(value) < 2**63
        for value, key in zip(keys, order, strict=True)
    )


def _named(query: Query) -> str:
    return ",".join(("-" if down else "") + name for name, down in ((query.sort, query.descending), *query.then))


def _foreign(query: Query) -> Invalid:
    message = "This is no cursor of this search; follow the link to the next page as it was given."
    return Invalid(Issue("invalid", message, where="_cursor", value=query.cursor, rule="search-value"))
