"""Rows of a CSV file (RFC 4180): UTF-8 unless declared, comma or semicolon."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from service.errors import Issue, Malformed
from service.exchange.spreadsheet import Line

ENCODINGS = ("utf-8", "cp1252", "cp1250", "iso-8859-1", "iso-8859-2", "iso-8859-15")
DELIMITERS = (",", ";")
LONGEST_LINE = 1024 * 1024
"""Bytes in one line; a file without line ends is not read into memory."""

_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_SAVE = 'a file saved as UTF-8, or its "encoding" in the header file, one of ' + ", ".join(ENCODINGS)


def lines(path: Path, encoding: str = "", delimiter: str = "") -> Iterator[Line]:
    """The cells of each record, numbered by the line on which it begins.

    Without a declared delimiter, the one that stands in the first line is taken; both in it are refused.
    """
    texts = _decoded(path, encoding or "utf-8")
    first = next(texts, None)
    if first is None:
        return
    reader = csv.reader(_after(first, texts), delimiter=delimiter or _delimiter(first), strict=True)
    begun = 1
    try:
        for record in reader:
            yield begun, [*record]
            begun = reader.line_num + 1
    except csv.Error as problem:
        message = f"The record that begins here cannot be read: {problem}."
        expected = "cells with commas, quotes or line ends in them quoted, every quote closed"
        raise Malformed(Issue("structure", message, f"line {begun}", "", "csv", expected)) from None


def _after(first: str, rest: Iterator[str]) -> Iterator[str]:
    yield first
    yield from rest


def _delimiter(first: str) -> str:
    found = [each for each in DELIMITERS if each in first]
    if len(found) > 1:
        message = "The first line holds both commas and semicolons: nothing says which of them parts the columns."
        expected = '"delimiter" in the header file'
        raise Malformed(Issue("structure", message, "line 1", "", "csv-delimiter", expected))
    return found[0] if found else DELIMITERS[0]


def _decoded(path: Path, encoding: str) -> Iterator[str]:
    """The lines of a file. Raises `Malformed` with the position of the first byte that is not in the encoding."""
    with path.open("rb") as file:
        at = 0
        for number in count(1):
            raw = file.readline(LONGEST_LINE + 1)
            if not raw:
                return
            if number == 1:
                _require_text(raw)
            if len(raw) > LONGEST_LINE:
                message = f"The line is longer than {LONGEST_LINE} bytes."
                raise Malformed(Issue("too-long", message, f"line {number}", "", "line-length", "a line for each row"))
            try:
                text = raw.decode(encoding)
            except UnicodeDecodeError as problem:
                byte = f"0x{raw[problem.start]:02X}"
                message = f"Byte {at + problem.start} of the file is not {encoding}."
                raise Malformed(Issue("structure", message, f"line {number}", byte, "encoding", _SAVE)) from None
            yield text.removeprefix("\ufeff") if number == 1 else text
            at += len(raw)


def _require_text(raw: bytes) -> None:
    kind = "UTF-16" if raw.startswith(_UTF16) else "a workbook or archive" if raw.startswith(b"PK\x03\x04") else ""
    if kind:
        message = f"Byte 0 of the file begins {kind}, not UTF-8 text."
        raise Malformed(Issue("structure", message, "line 1", raw[:4].hex(" "), "encoding", _SAVE))
