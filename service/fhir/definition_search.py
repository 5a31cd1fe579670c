"""Searches of our own definitions, which are generated and stand in no database."""

from __future__ import annotations

import re
from collections.abc import Iterable

from service.errors import Invalid, Issue
from service.fhir import conformance
from service.fhir.search_dates import matches
from service.fhir.search_index import Row, rows_of
from service.fhir.search_parameters import Choice, Clause, Moment, Query, Text, parameters_of
from service.fhir.search_query import Wanted
from service.fhir.text import Json


def found(query: Query) -> tuple[list[Json], int, str]:
    """A page of the definitions that a search finds, how many there are in all, and where the next page begins.

    The next is empty where there is none. Raises `Invalid` for a foreign cursor.
    """
    matching = [each for each in conformance.of_type(query.type) if all(_meets(each, c) for c in query.clauses)]
    for name, descending in reversed(((query.sort or "_id", query.descending), *query.then)):
        matching.sort(key=lambda each: _order(each, name), reverse=descending)
    start = _place(query.cursor)
    page = matching[start : start + query.count]
    following = start + len(page)
    return page, len(matching), str(following) if page and following < len(matching) else ""


def _place(cursor: str) -> int:
    if not re.fullmatch("|[1-9][0-9]{0,5}", cursor):
        message = "This is no cursor of this search; follow the link to the next page as it was given."
        raise Invalid(Issue("invalid", message, "_cursor", cursor, "search-value"))
    return int(cursor or "0")


def _rows(resource: Json, name: str) -> list[Row]:
    """The rows under a parameter, or under a parameter with a modifier that has rows of its own."""
    if name == "_id":
        return [Row("_id", "", str(resource["id"]))]
    parameter = parameters_of(resource["resourceType"])[name.partition(":")[0]]
    return [row for row in rows_of(resource, parameter) if row.parameter == name]


def _meets(resource: Json, clause: Clause) -> bool:
    rows = _rows(resource, clause.parameter.name)
    if clause.missing is not None:
        return clause.missing == (not rows)
    return clause.negated != any(_fits(row, choice) for row in rows for choice in clause.choices)


def _fits(row: Row, choice: Wanted) -> bool:
    if isinstance(choice, Choice):
        return choice.qualifier in (None, row.qualifier) and choice.value in (None, row.value)
    if isinstance(choice, Text):
        if choice.how == "exact":
            return row.qualifier == choice.value
        return choice.value in row.value if choice.how == "contains" else row.value.startswith(choice.value)
    if isinstance(choice, Moment) and row.when is not None:
        return matches(choice.prefix, choice.wanted, row.when)
    return False


def _order(resource: Json, name: str) -> tuple[int, str]:
    return min(_keys(_rows(resource, name)), default=(0, ""))


def _keys(rows: Iterable[Row]) -> Iterable[tuple[int, str]]:
    return ((row.when.lo if row.when else 0, row.value) for row in rows)
