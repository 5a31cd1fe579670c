"""From the rows of a spreadsheet to visits: rows of one patient and one visit, wherever they stand in the file.

The rows wait in a temporary database that the system removes by itself, so that a file of any size is read in little
memory, and visits come out patient by patient in order of time, whatever the order of the rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from zoneinfo import ZoneInfo

import msgspec

from service.domain.clock import Moment
from service.domain.field import UNKNOWN
from service.errors import Issue
from service.exchange.columns import Cells, Placed
from service.exchange.header import Header
from service.exchange.row_keys import RowKeys
from service.exchange.spreadsheet import Row, Table
from service.usecases.imports import Progress, VisitOfFile
from service.usecases.visit_input import Identifier, Person, Visit, VisitReading

_SCHEMA = """
    PRAGMA cache_size = -16000;
    PRAGMA temp_store = FILE;
    PRAGMA synchronous = OFF;
    CREATE TABLE waiting (
        patient TEXT, visit TEXT, at REAL, line INTEGER PRIMARY KEY, cells BLOB, faults BLOB
    );
    CREATE TABLE keys (system TEXT, value TEXT, line INTEGER, PRIMARY KEY (system, value)) WITHOUT ROWID;
"""
_IN_ORDER = """
    SELECT patient, visit, line, cells, faults, MIN(at) OVER (PARTITION BY patient, visit) AS first
    FROM waiting ORDER BY patient, first, visit, line
"""
_STEP = 1000


class VisitsOfRows:
    """The visits of a table. `rows` says how many rows it has, once it is made."""

    def __init__(self, table: Table, header: Header, zone: ZoneInfo | None, progress: Progress) -> None:
        self._header = header
        self._zone = header.zone or zone
        self._word = table.word
        self._strays: list[VisitOfFile] = []
        self._named: set[str] = set()
        self.rows = 0
        self._store = sqlite3.connect("", isolation_level=None)
        self._store.executescript(_SCHEMA)
        self._store.execute("BEGIN")
        for row in table.rows:
            self._wait(row)
            self.rows += 1
            if self.rows % _STEP == 0:
                progress(self.rows, None)

    def close(self) -> None:
        """Forget the rows."""
        self._store.close()

    def _wait(self, row: Row) -> None:
        cells = Cells(row, self._header)
        placed = cells.placed(self._zone)
        if placed is None:
            place = f"{self._word} {row.number}"
            self._strays.append(VisitOfFile(None, (place,), tuple(issue.at(place) for issue in cells.faults)))
            return
        faults = [*row.faults, *self._key_faults(row, placed, cells.get("row_key"))]
        self._store.execute(
            "INSERT INTO waiting VALUES (?, ?, ?, ?, ?, ?)",
            (
                "\t".join(placed.patient),
                "\t".join(placed.visit),
                placed.at.at.timestamp() if placed.at else None,
                row.number,
                msgspec.json.encode(row.cells),
                msgspec.json.encode(faults) if faults else None,
            ),
        )

    def _key_faults(self, row: Row, placed: Placed, key: str) -> Iterator[Issue]:
        if not key:
            return
        earlier = self._store.execute(
            "SELECT line FROM keys WHERE system = ? AND value = ?", (placed.visit[0], key)
        ).fetchone()
        if earlier:
            message = f"The key of this row is that of {self._word} {earlier[0]} too."
            yield Issue("duplicate", message, "row_key", key, "row-key", "a key of its own for every row")
        else:
            self._store.execute("INSERT INTO keys VALUES (?, ?, ?)", (placed.visit[0], key, row.number))

    def __iter__(self) -> Iterator[VisitOfFile]:
        yield from self._strays
        for _, group in groupby(self._store.execute(_IN_ORDER), key=itemgetter(0, 1)):
            rows = [Row(line, _cells(cells), _faults(faults)) for _, _, line, cells, faults, _ in group]
            yield _VisitMaker(self._header, self._zone, self._word, self._named).make(rows)


def _cells(stored: bytes) -> dict[str, str]:
    return msgspec.json.decode(stored, type=dict[str, str])


def _faults(stored: bytes | None) -> tuple[Issue, ...]:
    return msgspec.json.decode(stored, type=tuple[Issue, ...]) if stored else ()


class _VisitMaker:
    """Makes one visit of its rows. `named` are the initials that a warning has been given for."""

    def __init__(self, header: Header, zone: ZoneInfo | None, word: str, named: set[str]) -> None:
        self._header = header
        self._zone = zone
        self._word = word
        self._named = named
        self._keys: RowKeys | None = None
        self._said: dict[str, str] = {}
        self._faults: list[Issue] = []
        self._warnings: list[Issue] = []

    def make(self, rows: Iterable[Row]) -> VisitOfFile:
        read = [self._read(row) for row in rows]
        places = tuple(reading.place for reading, _ in read)
        times = [placed.at for _, placed in read if placed.at]
        visit = self._visit(read, min(times, key=lambda m: m.at)) if times else None
        return VisitOfFile(visit, places, tuple(self._faults), self._said, tuple(self._warnings))

    def _read(self, row: Row) -> tuple[VisitReading, Placed]:
        place = f"{self._word} {row.number}"
        cells = Cells(row, self._header)
        placed = cells.placed(self._zone)
        assert placed is not None  # noqa: S101 - only rows that have a place wait
        self._compare_said(cells, place)
        self._warn_of_unknown(cells, place)
        entry = cells.entry(self._key(cells, placed.visit))
        reading = VisitReading(entry, place, cells.person(), placed.at, cells.orthosis())
        self._faults += [issue.at(place) for issue in cells.faults]
        return reading, placed

    def _key(self, cells: Cells, visit: Identifier) -> str:
        if cells.get("row_key"):
            return cells.get("row_key")
        self._keys = self._keys or RowKeys(self._header.source, visit[1])
        return self._keys.next(cells.kind, cells.get("side"), cells.get("site"))

    def _compare_said(self, cells: Cells, place: str) -> None:
        for name, answer in cells.said().items():
            if self._said.setdefault(name, answer) != answer:
                message = f"Another row of this visit gives another {name} for the patient."
                issue = Issue("value", message, f"{place}.{name}", answer, "same-person", self._said[name])
                self._faults.append(issue)

    def _warn_of_unknown(self, cells: Cells, place: str) -> None:
        initials = cells.get("examiner")
        if initials and initials not in self._header.examiners and initials not in self._named:
            self._named.add(initials)
            message = f"'{initials}' is not in the table of examiners; kept as text in every row that has it."
            expected = '"examiners" in the header file'
            self._warnings.append(
                Issue("value", message, f"{place}.examiner", initials, "known-examiner", expected, "warning")
            )

    def _visit(self, read: list[tuple[VisitReading, Placed]], first: Moment) -> Visit:
        for reading, placed in read:
            day = placed.at.at.date() if placed.at else first.at.date()
            if day != first.at.date():
                message = f"Another row of this visit was taken on {first.at.date().isoformat()}."
                where, expected = f"{reading.place}.date", "one day for all rows of a visit"
                self._faults.append(Issue("value", message, where, day.isoformat(), "one-day", expected))
        readings = tuple(reading for reading, _ in read)
        placed = read[0][1]
        return Visit(
            Person(identifier=placed.patient),
            first,
            readings[0].by or Person(name=UNKNOWN),
            readings,
            placed.visit,
            imported=True,
        )
