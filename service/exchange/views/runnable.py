"""A view that can be run: a shipped table, read directly, or any ViewDefinition, evaluated."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, cast

from service.exchange.views.parquet import Typed
from service.exchange.views.shipped import tables
from service.exchange.views.table import Table
from service.fhir.text import Json


@dataclass(frozen=True, slots=True)
class Runnable:
    """A view by its name: over which type it is, which columns it gives, and the rows it makes of resources.

    `narrowing` are search parameters that all its resources fit.
    """

    name: str
    kind: str
    columns: Sequence[Typed]
    rows: Callable[[Iterable[Json]], Iterator[dict[str, Any]]]
    narrowing: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, view: Table | Json) -> Runnable:
        """The view of a shipped table, or of a ViewDefinition. Raises `Invalid` with what is wrong in it, and where."""
        table = view if isinstance(view, Table) else _shipped(view)
        if table:
            return cls(table.name, table.resource, table.columns, table.rows, table.narrowing)
        from service.exchange.views.definition import read_view
        from service.exchange.views.runner import rows

        read = read_view(cast(Json, view))
        return cls(read.name, read.resource, read.columns, partial(rows, read))


def _shipped(definition: Json) -> Table | None:
    """The shipped table whose ViewDefinition this is, to the letter."""
    table = tables().get(str(definition.get("id", "")))
    return table if table and table.definition() == definition else None


def rows_of(view: Table | Json, resources: Iterable[Json]) -> Iterator[dict[str, Any]]:
    """Every row of a view over these resources, in their order: column name to value."""
    return Runnable.of(view).rows(resources)
