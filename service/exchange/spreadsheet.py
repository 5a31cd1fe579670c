"""Rows of a spreadsheet, one at a time, whatever file they come from.

Cells are texts, stripped; an empty cell is not in the row. What is wrong with a single cell or row is kept with the
row, so that its neighbours can still be used; what is wrong with the file as a whole raises `Malformed`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from service.errors import Issue, Malformed, UnsupportedFormat

Cell = str | Issue
"""The text of a cell, or why it cannot be used."""
Line = tuple[int, list[Cell]]
"""The number of a row in its file, counted from 1, and its cells."""

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


@dataclass(frozen=True, slots=True)
class Row:
    """One row below the names of the columns. `faults` say in `where` which column they speak of, if one."""

    number: int
    cells: Mapping[str, str]
    faults: tuple[Issue, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """The columns of a sheet and its rows, read as they are asked for. `word` is what the file calls a row."""

    columns: tuple[str, ...]
    rows: Iterator[Row]
    word: str


def read_table(path: Path, *, encoding: str = "", delimiter: str = "", sheet: str = "") -> Table:
    """The table in a CSV or XLSX file. Raises `UnsupportedFormat` for another, `Malformed` for one that is broken."""
    if path.suffix.lower() == ".csv":
        from service.exchange import csv_file

        return _table(csv_file.lines(path, encoding, delimiter), "line", whole=True)
    if path.suffix.lower() == ".xlsx":
        from service.exchange import xlsx_file  # its library takes longer to load than most tables to read

        return _table(xlsx_file.lines(path, sheet), "row", whole=False)
    message = f"{path.name} is not a kind of file that is read here."
    raise UnsupportedFormat(
        Issue(
            "not-supported",
            message,
            "file",
            path.suffix,
            "file-format",
            ".csv or .xlsx for readings, .json for what a clinic hands over",
        )
    )


def _table(lines: Iterator[Line], word: str, *, whole: bool) -> Table:
    first = next(lines, None)
    if first is None:
        raise Malformed(Issue("structure", "The file is empty.", "file", "", "empty-file", "columns and rows"))
    columns = _columns(first, word)
    return Table(columns, _rows(columns, lines, whole=whole), word)


def _columns(first: Line, word: str) -> tuple[str, ...]:
    number, cells = first
    names = [cell.strip().casefold() if isinstance(cell, str) else "" for cell in cells]
    while names and not names[-1]:
        names.pop()
    issues = []
    for place, name in enumerate(names):
        where = f"{word} {number}, cell {place + 1}"
        if not name:
            message = "A column has no name."
            issues.append(Issue("structure", message, where, "", "column-name", "the name of a column"))
        elif name in names[:place]:
            message = f"Two columns are called '{name}'."
            issues.append(Issue("structure", message, where, name, "one-column", "every column once"))
    if issues:
        raise Malformed(*issues)
    return tuple(names)


def _rows(columns: tuple[str, ...], lines: Iterator[Line], *, whole: bool) -> Iterator[Row]:
    """Rows with anything in them. `whole` rows have a cell for every column."""
    for number, cells in lines:
        texts = [cell.strip() if isinstance(cell, str) else cell for cell in cells]
        if not any(texts):
            continue
        faults = [*_ragged(columns, texts, whole=whole)]
        found: dict[str, str] = {}
        for name, cell in zip(columns, texts, strict=False):
            if isinstance(cell, Issue):
                faults.append(cell.at(name))
            elif _CONTROL.search(cell):
                message = "The cell holds a control character."
                faults.append(Issue("value", message, name, cell, "control-character", "text without it"))
            elif cell:
                found[name] = cell
        yield Row(number, found, tuple(faults))


def _ragged(columns: tuple[str, ...], cells: list[Cell], *, whole: bool) -> Iterator[Issue]:
    extra = [cell for cell in cells[len(columns) :] if cell]
    if extra or (whole and len(cells) < len(columns)):
        message = f"The row has {len(cells)} cells and the file {len(columns)} columns."
        yield Issue("structure", message, "", "", "ragged-row", "one cell for every column")
