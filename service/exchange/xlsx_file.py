"""Rows of an XLSX workbook (ISO/IEC 29500), streamed; formulas are refused, for their values may be stale."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils import get_column_letter

from service.errors import Issue, Malformed, TooLarge
from service.exchange.spreadsheet import Cell, Line

LARGEST = 1024 * 1024 * 1024
"""Bytes that a workbook may unpack to: a million rows of twenty cells."""
TIGHTEST = 250
"""How many times smaller a part may be packed than it is; a sheet of readings is packed about 20 times smaller."""
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
        _require_small(path)
        workbook = openpyxl.load_workbook(path, read_only=True)
    except _BROKEN as problem:
        raise _unreadable(path, problem) from None
    try:
        chosen = _sheet(workbook, sheet)
        # A workbook may state its size wrongly; the rows that are there count.
        chosen.reset_dimensions()
        for number, row in enumerate(chosen.iter_rows(), 1):
            if number > MOST_ROWS:
                raise _unreadable(path, f"it has a row beyond number {MOST_ROWS}")
            yield number, [_cell(cell) for cell in row]
    except _BROKEN as problem:
        raise _unreadable(path, problem) from None
    finally:
        workbook.close()


def _require_small(path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
    size = sum(part.file_size for part in parts)
    tight = [p for p in parts if p.file_size > TIGHTEST * max(p.compress_size, 1) and p.file_size > LARGEST // TIGHTEST]
    if size > LARGEST or tight:
        message = f"The workbook unpacks to {size} bytes, which is more than is read."
        raise TooLarge(Issue("too-long", message, "file", path.name, "workbook-size", f"at most {LARGEST} bytes"))


def _unreadable(path: Path, problem: object) -> Malformed:
    message = f"{path.name} is not a workbook that can be read: {problem}."
    return Malformed(Issue("structure", message, "file", path.name, "workbook", "an unencrypted XLSX workbook"))


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
