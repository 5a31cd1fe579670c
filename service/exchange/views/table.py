"""A shipped table: its declaration, its ViewDefinition, and its rows read directly."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from service.exchange.views.column import Place, TableColumn, first_code
from service.fhir.canonical import BASE
from service.fhir.observation import CONTEXT_SYSTEM
from service.fhir.text import Json

Row = dict[str, Any]
VIEW_DEFINITION = "https://sql-on-fhir.org/ig/StructureDefinition/ViewDefinition"


@dataclass(frozen=True, slots=True)
class Each:
    """The elements of a resource that a table has a row for: by FHIRPath, and directly."""

    path: str
    read: Callable[[Json], Sequence[Json]]


@dataclass(frozen=True, slots=True)
class Condition:
    """Which resources a table is of: by FHIRPath, and directly."""

    path: str
    holds: Callable[[Json], bool]


@dataclass(frozen=True, slots=True)
class Table:
    """One shipped table over one type of resource: those for which every condition holds, in `columns`.

    With `each` it has a row for each of those elements, and reads `columns` there; `own` are columns of the resource.
    `narrowing` are search parameters that every resource of the table fits, so that a server need not read others.
    """

    name: str
    title: str
    description: str
    resource: str
    conditions: tuple[Condition, ...]
    own: tuple[TableColumn, ...]
    each: Each | None = None
    inner: tuple[TableColumn, ...] = ()
    narrowing: tuple[tuple[str, str], ...] = ()

    @property
    def columns(self) -> tuple[TableColumn, ...]:
        """Every column, in order."""
        return (*self.own, *self.inner)

    @property
    def url(self) -> str:
        """Its canonical address."""
        return f"{BASE}/ViewDefinition/{self.name}"

    def definition(self) -> Json:
        """Its ViewDefinition. The names of columns are those of the trade, with _ between words."""
        select: list[Json] = [{"column": [_column(column) for column in self.own]}]
        if self.each:
            select.append({"forEach": self.each.path, "column": [_column(column) for column in self.inner]})
        return {
            "resourceType": "ViewDefinition",
            "id": self.name,
            "url": self.url,
            "name": self.name.replace("-", "_"),
            "title": self.title,
            "status": "active",
            "description": self.description,
            "resource": self.resource,
            "fhirVersion": ["4.0.1"],
            "select": select,
            **({"where": [{"path": each.path} for each in self.conditions]} if self.conditions else {}),
        }

    def rows(self, resources: Iterable[Json]) -> Iterator[Row]:
        """The rows that its ViewDefinition gives, in the same order, read directly."""
        for resource in resources:
            if resource.get("resourceType") == self.resource and all(c.holds(resource) for c in self.conditions):
                yield from self._of(resource)

    def _of(self, resource: Json) -> Iterator[Row]:
        components = _components(resource) if self.resource == "Observation" else {}
        at = Place(resource, resource, 0, components)
        own = {column.name: column.read(at) for column in self.own}
        if self.each is None:
            yield own
            return
        for number, item in enumerate(self.each.read(resource)):
            inner = Place(resource, item, number, components)
            yield {**own, **{column.name: column.read(inner) for column in self.inner}}


def _components(resource: Json) -> dict[str, list[Json]]:
    """The components that carry context, by their codes."""
    found: dict[str, list[Json]] = {}
    for component in resource.get("component") or ():
        code = first_code(component.get("code"), CONTEXT_SYSTEM)
        if code:
            found.setdefault(code, []).append(component)
    return found


def _column(column: TableColumn) -> Json:
    return {"name": column.name, "path": column.path, "type": column.type, "description": column.meaning}


def claiming(profile: str) -> Condition:
    """The condition that a resource claims a profile."""
    return Condition(
        f"meta.profile.where($this = '{profile}').exists()",
        lambda resource: profile in ((resource.get("meta") or {}).get("profile") or ()),
    )


def standing(*elements: str) -> tuple[Condition, ...]:
    """The condition that what a resource states still stands: none of these status elements says entered in error."""
    return tuple(
        Condition(f"({name} = 'entered-in-error').not() or {name}.empty()", _not_in_error(name)) for name in elements
    )


def _not_in_error(name: str) -> Callable[[Json], bool]:
    return lambda resource: resource.get(name) != "entered-in-error"
