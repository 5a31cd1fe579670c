"""One version of a resource, as it stands in the record, and a page of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.fhir import text
from service.fhir.search_dates import moment

VERSION = "version, updated, deleted, method, body, patient"
"""The columns of a version that `Stored.of` reads."""


@dataclass(frozen=True, slots=True)
class Stored:
    """One version. `body` is the document itself, with meta.versionId and meta.lastUpdated; empty if `deleted`.

    `method` is what made this version: create, update or delete. `patient` is the id of the
    patient it belongs to, empty for none.
    """

    type: str
    id: str
    version: int
    updated: datetime
    deleted: bool
    method: str
    body: bytes
    patient: str = ""

    @property
    def resource(self) -> text.Json:
        """The document, read."""
        return text.parse(self.body)

    @property
    def reference(self) -> str:
        """The reference to this resource within the record, as in `Patient/1`."""
        return f"{self.type}/{self.id}"

    @classmethod
    def of(cls, kind: str, ident: str, row: Any) -> Stored:
        """From a database row that holds the columns of a version."""
        updated = moment(row.updated)
        return cls(kind, ident, row.version, updated, bool(row.deleted), row.method, row.body.encode(), row.patient)


@dataclass(frozen=True, slots=True)
class Page:
    """Matches in order; how many there are in all, if asked; the cursor of the next page, if there is one.

    `included` is what comes along, no match itself.
    """

    matches: tuple[Stored, ...]
    total: int | None = None
    next: str | None = None
    included: tuple[Stored, ...] = ()
