"""Runs a view over resources: the rows it gives, one resource after another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import chain, product
from typing import Any

from service.errors import Invalid, Issue
from service.exchange.views.definition import Column, Select, View
from service.exchange.views.expressions import Node, begin, node_of
from service.fhir.text import Json

Row = dict[str, Any]
"""Column name to value, in the order of the view's columns: a value of JSON, a list for a collection, or None."""
_Environment = Mapping[str, object]
_INDEX = "rowIndex"


def rows(view: View, resources: Iterable[Json]) -> Iterator[Row]:
    """Every row of a view over these resources, in their order; those of other types are passed over.

    Raises `Invalid`, naming the place in the definition, where an expression does not fit a resource.
    """
    begin()
    for resource in resources:
        if resource.get("resourceType") == view.resource:
            yield from _of_resource(view, resource)


def _of_resource(view: View, resource: Json) -> Iterator[Row]:
    node = node_of(resource)
    root = {"context": resource, "resource": resource, "rootResource": resource, "ucum": "http://unitsofmeasure.org"}
    environment = {**root, _INDEX: 0, **view.constants}
    if all(_holds(view, place, node, environment) for place in range(len(view.where))):
        yield from _merged([_rows(select, node, environment) for select in view.selects])


def _holds(view: View, place: int, node: Node, environment: _Environment) -> bool:
    """Whether a filter is true; what finds nothing is not."""
    condition = view.where[place]
    found = condition.values(node, environment)
    if not found:
        return False
    if len(found) > 1 or not isinstance(found[0], bool):
        message = "A filter is true or false."
        raise Invalid(Issue("invalid", message, condition.place, condition.text, "view-where", "a boolean expression"))
    return found[0]


def _merged(parts: list[list[Row]]) -> Iterator[Row]:
    """Every combination of one row of each part."""
    for combination in product(*parts):
        merged: Row = {}
        for part in combination:
            merged |= part
        yield merged


def _rows(select: Select, node: Node, environment: _Environment) -> list[Row]:
    if select.each is None and not select.repeat:
        return list(_at(select, node, environment))
    found = list(_repeated(select, node, environment)) if select.repeat else _each(select, node, environment)
    if not found and select.or_null:
        return [dict.fromkeys(column.name for column in select.all_columns) | _indices(select)]
    return list(chain.from_iterable(_at(select, one, {**environment, _INDEX: i}) for i, one in enumerate(found)))


def _indices(select: Select) -> Row:
    """What a row of nulls keeps: its own place."""
    return {column.name: 0 for column in select.columns if column.path.text.strip() == f"%{_INDEX}"}


def _each(select: Select, node: Node, environment: _Environment) -> list[Node]:
    return select.each.nodes(node, environment) if select.each else []


def _repeated(select: Select, node: Node, environment: _Environment) -> Iterator[Node]:
    """What the paths find, and what they find there in turn: each before what is below it."""
    for path in select.repeat:
        for found in path.nodes(node, environment):
            yield found
            yield from _repeated(select, found, environment)


def _at(select: Select, node: Node, environment: _Environment) -> Iterator[Row]:
    own = {column.name: _value(column, node, environment) for column in select.columns}
    nested = [_rows(each, node, environment) for each in select.selects]
    union = [[row for each in select.unions for row in _rows(each, node, environment)]] if select.unions else []
    return _merged([[own], *nested, *union])


def _value(column: Column, node: Node, environment: _Environment) -> Any:
    found = column.path.values(node, environment)
    if column.collection:
        return found
    if len(found) > 1:
        message = f"Column '{column.name}' has one value, and the expression found {len(found)}."
        expected = "an expression that finds one value, or collection: true"
        raise Invalid(Issue("invalid", message, column.path.place, column.path.text, "view-collection", expected))
    return found[0] if found else None
