"""What must hold before anything is written: the document says its type, the id can be one, the version is present."""

from __future__ import annotations

import re
from typing import Any

from sqlalchemy import Row

from service.errors import Invalid, Issue, PreconditionFailed
from service.fhir.text import Json

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def kind_of(document: Json) -> str:
    """The type a document states. Raises `Invalid` for none."""
    kind = document.get("resourceType")
    if not isinstance(kind, str) or not kind:
        raise Invalid(Issue("required", "The resource does not say its type.", where="resourceType"))
    return kind


def checked_id(ident: object) -> str:
    """`ident`, if it can be an id. Raises `Invalid`."""
    if not isinstance(ident, str) or not _ID.fullmatch(ident):
        message, expected = "The resource needs an id.", "1 to 64 of the characters A-Z a-z 0-9 - ."
        raise Invalid(Issue("value", message, "id", str(ident), "id", expected))
    return ident


ABSENT, PRESENT = 0, -1
"""Expected in the place of a version: that there is no such resource, or that there is one, at whatever version."""


def require_version(name: str, row: Row[Any] | None, expected: int | None) -> None:
    """Raise `PreconditionFailed` unless the present version, in `row`, is the expected one; None expects nothing."""
    if expected is None:
        return
    present = row.version if row is not None else None
    is_there = row is not None and not row.deleted
    if expected in (ABSENT, PRESENT):
        fits, wanted = is_there == (expected == PRESENT), "created only" if expected == ABSENT else "changed only"
    else:
        fits, wanted = present == expected, f"changed from version {expected}"
    if not fits:
        there = f"it is at version {present}" if is_there else "there is none"
        message = f"{name} was to be {wanted}, but {there}."
        stated = str(expected) if expected > 0 else "*"
        raise PreconditionFailed(Issue("conflict", message, "meta.versionId", stated, expected=str(present or "")))
