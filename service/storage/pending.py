"""Reading within a transaction that changes the record: what was changed is seen, and what was seen is remembered."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, Table

from service.storage.inserts import insert
from service.storage.reader import Reader
from service.storage.sql import Sql, ask, both, one_of
from service.storage.stored import Stored
from service.storage.tables import resource

_CHUNK = 500


class Pending(Reader):
    """A reader with rows that wait to be inserted together; they are sent before anything is asked of their table."""

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection)
        self._waiting: dict[Table, list[tuple[Any, ...]]] = {}
        self._there: set[tuple[str, str]] = set()
        self._unmerged: set[str] = set()

    def flush(self) -> None:
        """Send the rows that wait to be inserted together; happens by itself before anything is asked."""
        for table, rows in self._waiting.items():
            insert(self._connection, table, rows)
        self._waiting = {}

    def of_patient(self, patient_id: str, kind: str) -> Iterator[Stored]:
        self._send_resources()
        return super().of_patient(patient_id, kind)

    def patients_with(self, kinds: Sequence[str], patients: Sequence[str]) -> set[str]:
        """Those of `patients` (ids) who have a present resource of one of these types."""
        self._send_resources()
        found: set[str] = set()
        for start in range(0, len(patients), _CHUNK):
            some = one_of("patient", patients[start : start + _CHUNK])
            where = both([some, one_of("type", kinds), Sql("NOT deleted")])
            query = f"SELECT DISTINCT patient FROM resource WHERE {where.text}"  # noqa: S608 - only marks for values
            found |= {row.patient for row in ask(self._connection, Sql(query, where.values))}
        return found

    def _asked(self) -> Connection:
        self.flush()
        return self._connection

    def _row(self, kind: str, ident: str) -> Any:
        self._send_resources()
        return super()._row(kind, ident)

    def _present_rows(self, columns: str, keys: Collection[tuple[str, str]]) -> Iterator[Any]:
        self._send_resources()
        return super()._present_rows(columns, keys)

    def existing(self, keys: Collection[tuple[str, str]]) -> set[tuple[str, str]]:
        # Nobody else writes meanwhile, so what was there once is there until this transaction changes it.
        self._there |= super().existing(set(keys) - self._there)
        return self._there.intersection(keys)

    def replaced(self, patients: Collection[str]) -> dict[str, str]:
        asked = set(patients) - self._unmerged
        found = super().replaced(asked)
        self._unmerged |= asked - found.keys()
        return found

    def _note_new(self, kind: str, ident: str) -> None:
        self._there.add((kind, ident))
        self._unmerged.discard(ident)

    def _forget(self) -> None:
        """What was there, or stood for itself, may do so no longer."""
        self._there.clear()
        self._unmerged.clear()

    def _send_resources(self) -> None:
        """Send the waiting rows of `resource`; what asks that table alone need not wait for the index."""
        insert(self._connection, resource, self._waiting.pop(resource, ()))

    def _later(self, table: Table, rows: Iterable[tuple[Any, ...]]) -> None:
        self._waiting.setdefault(table, []).extend(rows)
