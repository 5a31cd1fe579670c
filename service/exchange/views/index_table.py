"""The one table that is made of the index alone, without a look into a document: values by their codes.

It is for counts and trends over many patients, where a table of one kind would take longer to make.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import islice
from typing import Any

from service.exchange.views.column import Place, TableColumn, reference_column, value_column
from service.exchange.views.parquet import Parts, arrow_modules, schema_of
from service.exchange.views.table import Condition, Table, standing
from service.fhir.canonical import UCUM
from service.fhir.observation import OBSERVATION_CODE, SITE_SYSTEM
from service.fhir.text import Json

BATCH = 1_000
"""Rows that are asked of the database at once: few enough to stay in the processor's cache."""
_GROUP = 20
"""Batches in a group of rows of the file; so much is held in memory."""
_CODED = f"code.coding.first().system = '{OBSERVATION_CODE}'"
_DAY = "effective.ofType(dateTime).where(hasValue()).substring(0, 10)"
_COLUMNS = ("patient", "visit", "code", "site", "day", "status", "value", "unit")


def _day(at: Place) -> str | None:
    text = at.resource.get("effectiveDateTime")
    return str(text)[:10] if text else None


def _first_system(resource: Json) -> bool:
    codings = (resource.get("code") or {}).get("coding") or [{}]
    return bool(codings[0].get("system") == OBSERVATION_CODE)


def values_table() -> Table:
    """Its declaration."""
    return Table(
        name="coded-values",
        title="Values by code",
        description="Every coded value, of readings and wholes of arcs alike, without its context. One row a value.",
        resource="Observation",
        conditions=(Condition(_CODED, _first_system), *standing("status")),
        own=(
            reference_column("patient", ("subject",), "Patient", "Key of the patient"),
            reference_column("visit", ("encounter",), "Encounter", "Key of the visit"),
            value_column("code", ("code", "coding", 0, "code"), "What", type="code", coding=OBSERVATION_CODE),
            value_column("site", ("bodySite", "coding", 0, "code"), "Where", type="code", coding=SITE_SYSTEM),
            TableColumn("day", _DAY, _day, "The local calendar day", "date"),
            value_column("status", ("status",), "Status of the Observation", type="code"),
            value_column("value", ("valueQuantity", "value"), "The number, to millionths", type="decimal", unit="unit"),
            value_column("unit", ("valueQuantity", "code"), "Its unit", type="code", coding=UCUM),
        ),
    )  # fmt: skip


def parquet_of_index(
    batches: Iterable[Sequence[tuple[Any, ...]]], seen: Callable[[Iterable[str]], object]
) -> Iterator[bytes]:
    """The table as a Parquet file in parts, from tuples of the index; `seen` is told whose they are.

    The schema is that of the same table made of documents.
    """
    arrow, writer_of = arrow_modules()
    schema, parts = schema_of(arrow, values_table().columns), Parts()
    with writer_of(parts, schema, compression="zstd") as writer:
        following = iter(batches)
        while group := [_record(arrow, schema, batch, seen) for batch in islice(following, _GROUP)]:
            writer.write_table(arrow.Table.from_batches(group))
            yield parts.taken()
    yield parts.taken()


def _record(arrow: Any, schema: Any, batch: Sequence[tuple[Any, ...]], seen: Callable[[Iterable[str]], object]) -> Any:
    columns = dict(zip(_COLUMNS, zip(*batch, strict=True), strict=True))
    seen(columns["patient"])
    arrays = [_array(arrow, name, columns[name], schema.field(name).type) for name in _COLUMNS]
    return arrow.RecordBatch.from_arrays(arrays, schema=schema)


def _array(arrow: Any, name: str, values: Sequence[Any], kind: Any) -> Any:
    if name == "value":
        millionths = arrow.array(values, arrow.int64()).cast(arrow.decimal128(19, 0))
        return arrow.compute.multiply(millionths, _millionth(arrow)).cast(kind)
    if name == "day":
        return arrow.array(values, arrow.int32()).cast(arrow.date32()).cast(kind)
    texts = arrow.array(values, kind)
    return arrow.compute.if_else(arrow.compute.equal(texts, ""), None, texts)


def _millionth(arrow: Any) -> Any:
    return arrow.scalar(Decimal("0.000001"), arrow.decimal128(7, 6))
