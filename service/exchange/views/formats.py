"""Rows written as JSON, NDJSON, CSV or Parquet: the same rows give the same bytes, numbers keep their digits.

Everything is written as it comes, in parts of bounded size; only JSON's brackets and a Parquet file's end stand
outside the rows.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any, NamedTuple

from service.errors import Issue, NotAcceptable
from service.exchange.views.parquet import Typed, parquet
from service.fhir.text import dump

_BATCH = 2_000
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What makes a spreadsheet take a cell for a formula, when it stands first."""


class Format(NamedTuple):
    """A format: the media type of what is written, the ending of a file's name, and the writer."""

    media_type: str
    suffix: str
    write: Callable[[Sequence[Typed], Iterable[Mapping[str, Any]], bool], Iterator[bytes]]


def _ndjson(_columns: Sequence[Typed], rows: Iterable[Mapping[str, Any]], _header: bool) -> Iterator[bytes]:
    for batch in _batches(rows):
        yield b"".join(dump(dict(row)) + b"\n" for row in batch)


def _json(_columns: Sequence[Typed], rows: Iterable[Mapping[str, Any]], _header: bool) -> Iterator[bytes]:
    lead = b"["
    for batch in _batches(rows):
        yield lead + b",\n".join(dump(dict(row)) for row in batch)
        lead = b",\n"
    yield (lead if lead == b"[" else b"") + b"]\n"


def _csv(columns: Sequence[Typed], rows: Iterable[Mapping[str, Any]], header: bool) -> Iterator[bytes]:
    """As RFC 4180 says, in UTF-8. Text that a spreadsheet would take for a formula has an apostrophe before it."""
    names = [column.name for column in columns]
    if header:
        yield _lines([names])
    for batch in _batches(rows):
        yield _lines([[_cell(row[name]) for name in names] for row in batch])


def _lines(rows: Iterable[Sequence[str]]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA) else value
    return dump({"": value})[4:-1].decode()


def _batches(rows: Iterable[Mapping[str, Any]]) -> Iterator[list[Mapping[str, Any]]]:
    following = iter(rows)
    while batch := list(islice(following, _BATCH)):
        yield batch


FORMATS: Mapping[str, Format] = {
    "ndjson": Format("application/x-ndjson", "ndjson", _ndjson),
    "json": Format("application/json", "json", _json),
    "csv": Format("text/csv; charset=utf-8", "csv", _csv),
    "parquet": Format("application/vnd.apache.parquet", "parquet", parquet),
}
"""By short name; the first is what is written where no format is asked for."""
_MEDIA_TYPES = {form.media_type.partition(";")[0]: name for name, form in FORMATS.items()}


def format_of(written: str) -> Format:
    """The format of this short name or media type. Raises `NotAcceptable`."""
    asked = written.partition(";")[0].strip().lower()
    name = {"application/ndjson": "ndjson"}.get(asked) or _MEDIA_TYPES.get(asked, asked)
    if name not in FORMATS:
        message, expected = "Rows are not written in this format.", ", ".join(FORMATS)
        raise NotAcceptable(Issue("not-supported", message, "_format", written, "view-format", expected))
    return FORMATS[name]
