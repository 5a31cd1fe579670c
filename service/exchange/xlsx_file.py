"""Rows of an XLSX workbook (ISO/IEC 29500), streamed; formulas are refused, for their values may be stale."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils import get_column_letter

from service.errors import Issue, Malformed, TooLarge
from service.exchange.spreadsheet import Cell, Line

LARGEST = 1024 * 1024 * 1024
"""Bytes that a workbook may unpack to: a million rows of twenty cells."""
TIGHTEST = 250
"""How many times smaller a part may be packed than it is; a sheet of readings is packed about 20 times smaller."""
SMALL = 4 * 1024 * 1024
"""Bytes below which it does not matter how tightly a part is packed."""
MOST_ROWS = 1024 * 1024
"""Rows of a sheet: the limit of the format."""

_BROKEN = (
    zipfile.BadZipFile, zlib.error, ParseError, KeyError, ValueError, TypeError, AttributeError, IndexError,
    OverflowError, EOFError, NotImplementedError, RuntimeError,
)  # fmt: skip
"""What the library raises for a workbook that is not one, is broken, encrypted, or holds entities."""


def lines(path: Path, sheet: str = "") -> Iterator[Line]:
    """The cells of each row of the one visible sheet, or of the named one."""
    try:
        with path.open("rb") as file:
            _require_small(file, path.name)
            workbook = openpyxl.load_workbook(file, read_only=True)
            with closing(workbook):
                yield from _rows(_sheet(workbook, sheet))
    except _BROKEN as problem:
        message = f"{path.name} is not a workbook that can be read: {problem}."
        expected = "an unencrypted XLSX workbook"
        raise Malformed(Issue("structure", message, "file", path.name, "workbook", expected)) from None


def _rows(sheet: Any) -> Iterator[Line]:
    # A workbook may state its size wrongly; the rows that are there count.
    sheet.reset_dimensions()
    for number, row in enumerate(sheet.iter_rows(), 1):
        if number > MOST_ROWS:
            raise ValueError(f"it has a row beyond number {MOST_ROWS}")
        yield number, [_cell(cell) for cell in row]


def _require_small(file: BinaryIO, name: str) -> None:
    with zipfile.ZipFile(file) as archive:
        parts = archive.infolist()
    size = sum(part.file_size for part in parts)
    tight = [p for p in parts if p.file_size > max(SMALL, TIGHTEST * p.compress_size)]
    if size > LARGEST or tight:
        message = f"The workbook unpacks to {size} bytes, which is more than is read."
        raise TooLarge(Issue("too-long", message, "file", name, "workbook-size", f"at most {LARGEST} bytes"))


def _sheet(workbook: Any, wanted: str) -> Any:
    names = [each.title for each in workbook.worksheets if each.sheet_state == "visible" or each.title == wanted]
    if wanted in names:
        return workbook[wanted]
    if wanted or len(names) != 1:
        message = f"There is no sheet '{wanted}'." if wanted else "Nothing says which sheet holds the readings."
        expected = '"sheet" in the header file, one of ' + ", ".join(names)
        raise Malformed(Issue("structure", message, "file", wanted, "sheet", expected))
    return workbook[names[0]]


def _cell(cell: Any) -> Cell:
    if cell.value is None:
        return ""
    name = f"{get_column_letter(cell.column)}{cell.row}"
    if cell.data_type == "f":
        message = f"Cell {name} holds a formula, not a value."
        return Issue("value", message, "", "", "formula", "the value itself (paste the values only)")
    if cell.data_type == "e":
        return Issue("value", f"Cell {name} holds an error.", "", str(cell.value), "cell-error", "a value")
    return _text(cell.value)


def _text(value: object) -> str:
    """A value as text. A number is a double in this format: its shortest exact form is what was typed."""
    if isinstance(value, datetime):
        moment = (value + timedelta(milliseconds=500)).replace(microsecond=0)
        return moment.date().isoformat() if moment.time() == time() else moment.isoformat(" ", "seconds")
    if isinstance(value, date):
        return value.isoformat()
    return format(Decimal(repr(value)), "f") if isinstance(value, float) else str(value)
