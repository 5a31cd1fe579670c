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
    # A day without a zone begins and ends somewhere within 14 hours of the day in UTC.
    slack = timedelta(hours=14) if ("T" in earlier) != ("T" in later) else timedelta()
    try:
        return _first_moment(earlier) - slack <= _last_moment(later)
    except (ValueError, OverflowError):
        return True


def _first_moment(text: str) -> datetime:
    whole = text if "T" in text else text + "-01-01"[len(text) - 4 :]
    moment = datetime.fromisoformat(whole)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _last_moment(text: str) -> datetime:
    first = _first_moment(text)
    if "T" in text:
        return first
    following = {4: first + timedelta(days=366), 7: first + timedelta(days=31)}.get(len(text))
    if following is None:
        return first + timedelta(days=1, microseconds=-1)
    begin = following.replace(day=1) if len(text) == 7 else following.replace(month=1, day=1)
    return begin - timedelta(microseconds=1)
