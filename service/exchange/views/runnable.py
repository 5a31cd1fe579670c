"""A view that can be run: a shipped table, read directly, or any ViewDefinition, evaluated."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from service.exchange.views.parquet import Typed
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
        if isinstance(view, Table):
            return cls(view.name, view.resource, view.columns, view.rows, view.narrowing)
        from service.exchange.views.definition import read_view
        from service.exchange.views.runner import rows

        read = read_view(view)
        return cls(read.name, read.resource, read.columns, partial(rows, read))


def rows_of(view: Table | Json, resources: Iterable[Json]) -> Iterator[dict[str, Any]]:
    """Every row of a view over these resources, in their order: column name to value."""
    return Runnable.of(view).rows(resources)
