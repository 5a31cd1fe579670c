"""The least and the greatest value that a decimal, a date or a time can stand for, by the precision it is written in.

As FHIRPath's `lowBoundary()` and `highBoundary()` (https://hl7.org/fhirpath/#lowboundaryprecision-integer-decimal--date--datetime--time).
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

_DECIMALS = 8
"""The precision of a decimal's boundary where none is asked for."""
_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?(?:T(.*))?")
_ZONE = re.compile(r"(Z|[+-]\d\d:\d\d)$")
_LOW, _HIGH = "+14:00", "-12:00"
"""The zones in which a day begins first and ends last."""


def low_boundary(_ctx: Any, found: Sequence[Any], precision: Any = None) -> list[Any]:
    """The least value that each of what was found can stand for."""
    return [_bound(node, False, precision) for node in found]


def high_boundary(_ctx: Any, found: Sequence[Any], precision: Any = None) -> list[Any]:
    """The greatest value that each of what was found can stand for."""
    return [_bound(node, True, precision) for node in found]


def _bound(node: Any, high: bool, precision: Any) -> Any:
    value, kind = getattr(node, "data", node), str(getattr(node, "path", "") or "")
    digits = precision if isinstance(precision, int) else None
    if isinstance(value, dict) and "value" in value:
        return {**value, "value": _number(Decimal(value["value"]), high, digits)}
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        return _number(Decimal(value), high, digits)
    text = str(getattr(value, "asStr", value))
    if re.fullmatch(r"T?\d\d:.*|T?\d\d", text):
        return _time(text.removeprefix("T"), high)
    if not _DATE.fullmatch(text):
        raise ValueError("boundaries are of decimals, quantities, dates and times")
    return _day(text, high) if kind == "date" else _moment(text, high)


def _number(value: Decimal, high: bool, digits: int | None) -> Decimal:
    """Half a step of the last digit below or above, of which there are at most eight."""
    half = Decimal(5).scaleb(int(value.as_tuple().exponent) - 1)
    bound = value + half if high else value - half
    places = _DECIMALS if digits is None else digits
    return round(bound, places) if -int(bound.as_tuple().exponent) > places else bound


def _day(text: str, high: bool) -> str:
    year, month, day, _ = _DATE.fullmatch(text).groups()  # type: ignore[union-attr] # it has matched
    month = month or ("12" if high else "01")
    return f"{year}-{month}-{day or (monthrange(int(year), int(month))[1] if high else '01')}"


def _moment(text: str, high: bool) -> str:
    clock = text.partition("T")[2]
    zone = _ZONE.search(clock)
    told = _ZONE.sub("", clock)
    return f"{_day(text.partition('T')[0], high)}T{_time(told, high)}{zone[0] if zone else _HIGH if high else _LOW}"


def _time(text: str, high: bool) -> str:
    least, most = ("00", "00", "00.000"), ("23", "59", "59.999")
    parts = text.split(":") if text else []
    if len(parts) == 3:
        second, _, fraction = parts[2].partition(".")
        parts[2] = f"{second}.{fraction.ljust(3, '9' if high else '0')}"
    return ":".join((*parts, *(most if high else least)[len(parts) :]))
