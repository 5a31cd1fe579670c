"""Rows as a Parquet file. pyarrow comes with the extra `research` and is imported when a file is written."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import islice
from typing import Any, Protocol

from service.errors import Invalid, Issue, Misconfigured
from service.fhir.text import dump

_ROWS = 20_000
"""Rows in a group: as many as are held in memory."""
_DIGITS, _PLACES = 38, 9
"""What a decimal column holds: 29 digits before the point and 9 behind it."""
_INTEGERS = ("integer", "positiveInt", "unsignedInt", "integer64")


class Typed(Protocol):
    """What is said of a column: its name, its FHIR type, and whether it holds lists."""

    @property
    def name(self) -> str: ...

    @property
    def type(self) -> str: ...

    @property
    def collection(self) -> bool: ...


class Parts(io.RawIOBase):
    """A file that is handed on as it grows."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        return len(self._parts[-1])

    def taken(self) -> bytes:
        """What was written since this was last asked."""
        found = b"".join(self._parts)
        self._parts.clear()
        return found


def parquet(columns: Sequence[Typed], rows: Iterable[Mapping[str, Any]], _header: bool = True) -> Iterator[bytes]:
    """The file in parts. All numbers of a decimal column stand in one scale: 1.50 becomes 1.500000000.

    Raises `Invalid` for a value that the type of its column cannot hold.
    """
    arrow, writer_of = arrow_modules()
    schema = schema_of(arrow, columns)
    parts, following = Parts(), iter(rows)
    with writer_of(parts, schema, compression="zstd") as writer:
        while group := list(islice(following, _ROWS)):
            arrays = [_array(arrow, column, schema.field(column.name).type, group) for column in columns]
            writer.write_batch(arrow.RecordBatch.from_arrays(arrays, schema=schema))
            yield parts.taken()
    yield parts.taken()


def arrow_modules() -> tuple[Any, Any]:
    """pyarrow, and its writer of Parquet files. Raises `Misconfigured` where they are not installed."""
    try:
        import pyarrow
        import pyarrow.compute
        from pyarrow.parquet import ParquetWriter
    except ModuleNotFoundError as missing:
        message = "Parquet needs the extra 'research': pip install 'hand-therapy-record[research]'."
        raise Misconfigured(message) from missing
    return pyarrow, ParquetWriter


def schema_of(arrow: Any, columns: Sequence[Typed]) -> Any:
    """The schema of a file with these columns."""
    return arrow.schema([arrow.field(column.name, _type_of(arrow, column)) for column in columns])


def _type_of(arrow: Any, column: Typed) -> Any:
    """The type of a column: dates and times stay text, since FHIR's may lack their day or hour.

    `double` is no type of FHIR: it is that of what was computed.
    """
    if column.type == "decimal":
        single = arrow.decimal128(_DIGITS, _PLACES)
    elif column.type in _INTEGERS:
        single = arrow.int64()
    else:
        single = {"boolean": arrow.bool_(), "double": arrow.float64()}.get(column.type, arrow.string())
    return arrow.list_(single) if column.collection else single


def _array(arrow: Any, column: Typed, kind: Any, group: Sequence[Mapping[str, Any]]) -> Any:
    values = [row[column.name] for row in group]
    if column.type not in ("decimal", "boolean", "double", *_INTEGERS):
        values = [[_text(each) for each in value] if column.collection else _text(value) for value in values]
    if column.type == "decimal" and not column.collection:
        values = [Decimal(value) if isinstance(value, int) else value for value in values]
    try:
        return arrow.array(values, kind)
    except (arrow.ArrowInvalid, arrow.ArrowTypeError, TypeError) as problem:
        message = f"A value does not fit the type of column '{column.name}', {column.type}: {problem}."
        raise Invalid(Issue("value", message, f"column {column.name}", "", "column-type", "another type")) from problem


def _text(value: Any) -> str | None:
    """A text, or the JSON of what is none."""
    return value if value is None or isinstance(value, str) else dump({"": value})[4:-1].decode()
