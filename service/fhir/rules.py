"""What a hand-written rule is, and the comparisons that several rules share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from service.fhir.walk import Walk

Json = dict[str, Any]
Presence = Callable[[frozenset[str]], bool]
"""Given the names of the elements present (`value` for valueQuantity): does the rule hold?"""
Test = Callable[[Json, Walk], bool]
"""Given the object and the walk: does the rule hold? Where it cannot be told, it holds."""
UCUM = "http://unitsofmeasure.org"


@dataclass(frozen=True, slots=True)
class ValueRule:
    """A rule about values, worth asking only if all of `needs` are present."""

    needs: frozenset[str]
    test: Test


def when(*needs: str, test: Test) -> ValueRule:
    return ValueRule(frozenset(needs), test)


def objects(value: Any) -> list[Json]:
    """The objects in a list, or in a single object; nothing else."""
    listed = value if isinstance(value, list) else [value]
    return [each for each in listed if isinstance(each, dict)]


def inner(element: Json, *path: str) -> list[Any]:
    """All values at a path below `element`, lists opened, as FHIRPath walks."""
    found: list[Any] = [element]
    for name in path:
        found = [each for owner in objects(found) for each in _opened(owner.get(name))]
    return found


def _opened(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]


def texts(value: Any) -> Iterator[str]:
    """Every text at any depth of `value`."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for child in value.values():
            yield from texts(child)
    elif isinstance(value, list):
        for child in value:
            yield from texts(child)


def coded(concept: Any, system: str, *codes: str) -> bool:
    """Whether a CodeableConcept has one of `codes` of `system`."""
    return any(
        coding.get("system") == system and coding.get("code") in codes
        for coding in objects(inner(concept, "coding") if isinstance(concept, dict) else [])
    )


def distinct(values: list[Any]) -> bool:
    return (
        all(value not in values[:index] for index, value in enumerate(values))
        if len(values) < 50
        else (len({repr(value) for value in values}) == len(values))
    )


def number(value: Any) -> Decimal | None:
    return Decimal(value) if type(value) in (int, Decimal) else None


def not_after(earlier: Any, later: Any) -> bool:
    """Whether a FHIR date or dateTime may be at or before another: false only where that is certain."""
    if not isinstance(earlier, str) or not isinstance(later, str):
        return True
    first, last = _earliest(earlier, lenient="T" in later), _latest(later, lenient="T" in earlier)
    return first is None or last is None or first <= last


_ANY_ZONE = timedelta(hours=14)


def _earliest(text: str, *, lenient: bool) -> datetime | None:
    whole = text if "T" in text else (text + "-01-01"[max(len(text) - 4, 0) :])
    moment = _moment(whole)
    try:
        return moment - _ANY_ZONE if moment and lenient and "T" not in text else moment
    except OverflowError:
        return None


def _latest(text: str, *, lenient: bool) -> datetime | None:
    if "T" in text:
        return _moment(text)
    start = _moment(text + "-01-01"[max(len(text) - 4, 0) :])
    if start is None:
        return None
    days = {4: 366, 7: 31}.get(len(text), 1)
    try:
        end = start + timedelta(days=days)
        while len(text) < 10 and end.isoformat()[: len(text)] != text:
            end -= timedelta(days=1)
        return end + (_ANY_ZONE if lenient else timedelta())
    except OverflowError:
        return None


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
