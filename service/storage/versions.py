"""What makes a document a version: its stamp, and whether it says anything new."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

from service.fhir.text import Json


def without_stamp(document: Json) -> Json:
    """The document without what the store says of its version."""
    meta = {key: value for key, value in document.get("meta", {}).items() if key not in ("versionId", "lastUpdated")}
    rest = {key: value for key, value in document.items() if key != "meta"}
    return {**rest, "meta": meta}


def stamp(document: Json, ident: str, version: int, at: datetime) -> Json:
    """The document as it is stored: type, id, version and time first, then all else as it came."""
    plain = without_stamp(document)
    told = {"versionId": str(version), "lastUpdated": at.isoformat(timespec="microseconds").replace("+00:00", "Z")}
    first = {"resourceType": plain["resourceType"], "id": ident, "meta": told | plain["meta"]}
    return first | {key: value for key, value in plain.items() if key not in first}


def same(one: Any, other: Any) -> bool:
    """Equal to the digit: 1.5 and 1.50 are different readings."""
    if type(one) is not type(other):
        return False
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(value, other[key]) for key, value in one.items())
    if isinstance(one, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, Decimal):
        return str(one) == str(other)
    return bool(one == other)
