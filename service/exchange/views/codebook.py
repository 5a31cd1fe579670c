"""The codebook of a data set: what each column means, its unit, its coding, and what an empty cell says.

It is made from the declarations that the tables are made from. Results of metrics bring their formulas with version,
published source and how far that was verified.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from importlib.metadata import version
from typing import Any, NamedTuple

from service.domain.metrics import METRICS
from service.exchange.views.column import TableColumn
from service.exchange.views.table import Table
from service.fhir.text import Json


class Listed(NamedTuple):
    """A column of a codebook that is itself a table."""

    name: str
    type: str = "string"
    collection: bool = False


COLUMNS = tuple(
    Listed(name)
    for name in (
        "table", "column", "type", "meaning", "unit", "coding", "values", "missing", "kind", "formula", "path",
    )
)  # fmt: skip


def codebook(tables: Iterable[Table]) -> Json:
    """The codebook of these tables, as JSON."""
    listed = list(tables)
    metrics = any(table.name == "metrics" for table in listed)
    return {
        "software": f"Hand-therapy record {version('hand-therapy-record')}",
        "tables": [_described(table) for table in listed],
        **({"metrics": list(_formulas())} if metrics else {}),
    }


def codebook_rows(tables: Iterable[Table]) -> Iterator[dict[str, Any]]:
    """The same, one row a column, codes and their words in one cell."""
    for table in tables:
        for column in table.columns:
            told = _column(column)
            told["values"] = "; ".join(f"{code}: {words}" for code, words in column.values.items())
            yield {"table": table.name} | {each.name: told[each.name] or None for each in COLUMNS[1:]}


def _described(table: Table) -> Json:
    return {
        "name": table.name,
        "title": table.title,
        "description": table.description,
        "resource": table.resource,
        "definition": table.url,
        "conditions": [condition.path for condition in table.conditions],
        "columns": [{name: told for name, told in _column(column).items() if told} for column in table.columns],
    }


def _column(column: TableColumn) -> Json:
    return {
        "column": column.name,
        "type": column.type,
        "meaning": column.meaning,
        "unit": column.unit,
        "coding": column.coding,
        "values": dict(column.values),
        "missing": column.missing,
        "kind": column.kind,
        "formula": column.formula,
        "path": column.path,
    }


def _formulas() -> Iterator[Json]:
    for metric in METRICS.values():
        told = {
            "metric": metric.name,
            "version": metric.version,
            "title": metric.title,
            "formula": metric.formula,
            "source": metric.source.text,
            "status": metric.source.status,
            "unit": metric.unit,
            "values": {code: term.display for code, term in metric.values.items()},
            "caveat": metric.caveat,
        }
        yield {name: value for name, value in told.items() if value}
