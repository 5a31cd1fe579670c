"""Numbers and quantities, as the index holds them and as a search asks for them.

A number that is searched for stands for all that round to it: `5.4` is 5.35 up to 5.45, `100` is 99.5 up to 100.5
(https://hl7.org/fhir/R4/search.html#number), and `1e2`, which has one digit, 50 up to 150: the table there says 95 up
to 105 beside "1 significant figures", which would be two. A quantity is also found in other UCUM units of its
dimension, by exact conversion; force is not mass. The index holds whole millionths, and what a comparator leaves open
reaches to the end.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import ceil, floor
from typing import Any

from service.domain.units import UNITS
from service.fhir.canonical import UCUM
from service.fhir.search_dates import OPEN_END, OPEN_START

Json = dict[str, Any]
SCALE = 10**6
_NUMBER = re.compile(
    r"(?P<prefix>eq|ne|gt|lt|ge|le|sa|eb|ap)?(?P<number>-?[0-9]{1,18}(\.[0-9]{1,18})?([eE][+-]?[0-9]{1,2})?)"
)
_CURRENCY = "urn:iso:std:iso:4217"
Indexed = tuple[str, str, int, int]
"""System, code, lowest and highest value in millionths."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What is wanted in one unit: `lo` to `hi`, inclusive, in millionths; None for any system or code."""

    system: str | None
    code: str | None
    lo: int
    hi: int


@dataclass(frozen=True, slots=True)
class Amount:
    """One value of a number or quantity search: any of the measures fits. `prefix` may be `overlaps` for `ap`."""

    prefix: str
    measures: tuple[Measure, ...]


def number(text: str) -> Amount:
    """The meaning of a number search. Raises ValueError, in words, for what is no number."""
    prefix, value, half = _read(text)
    return Amount(_how(prefix), (_measure(None, None, prefix, value, half, Fraction(1)),))


def quantity(text: str, system: str, code: str) -> Amount:
    """The meaning of a quantity search; `system` is empty for any. Raises ValueError for what is no number."""
    prefix, value, half = _read(text)
    measures = [_measure(system or None, code, prefix, value, half, Fraction(1))]
    known = UNITS.get(code) if system in ("", UCUM) else None
    if known:
        measures += [
            _measure(UCUM, other.code, prefix, value, half, known.size / other.size)
            for other in UNITS.values()
            if other.dimension == known.dimension and other is not known
        ]
    return Amount(_how(prefix), tuple(measures))


def _how(prefix: str) -> str:
    return "overlaps" if prefix == "ap" else prefix


def _read(text: str) -> tuple[str, Fraction, Fraction]:
    """Prefix, value, and half of the last place written."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ValueError("is no number such as 5.4 or ge100")
    written = Decimal(match["number"])
    exponent = written.as_tuple().exponent
    return match["prefix"] or "eq", Fraction(written), Fraction(1, 2) * Fraction(10) ** int(exponent)


def _measure(
    system: str | None, code: str | None, prefix: str, value: Fraction, half: Fraction, factor: Fraction
) -> Measure:
    scaled = value * factor * SCALE
    if prefix in ("eq", "ne"):
        width = half * factor * SCALE
        lo, hi = ceil(scaled - width), ceil(scaled + width) - 1
    elif prefix == "ap":
        # The standard recommends a tenth of the value.
        lo, hi = ceil(scaled - abs(scaled) / 10), floor(scaled + abs(scaled) / 10)
    else:
        # Beside these prefixes a number is as exact as can be.
        lo = hi = floor(scaled)
    return Measure(system, code, _within(lo), _within(hi))


def _within(value: int) -> int:
    return max(OPEN_START, min(OPEN_END, value))


def amounts(value: Any) -> Iterator[Indexed]:
    """What the index holds of a number, Quantity, Age, Money or Range: each with its code, and with its unit."""
    if isinstance(value, (Decimal, int)) and not isinstance(value, bool):
        yield "", "", _scaled(value), _scaled(value)
    elif isinstance(value, dict) and ("low" in value or "high" in value):
        low, high = value.get("low", {}), value.get("high", {})
        lo = _scaled(low["value"]) if "value" in low else OPEN_START
        hi = _scaled(high["value"]) if "value" in high else OPEN_END
        yield from _named(low or high, lo, hi)
    elif isinstance(value, dict) and isinstance(value.get("value"), (Decimal, int)):
        comparator = value.get("comparator", "")
        lo = OPEN_START if "<" in comparator else _scaled(value["value"])
        hi = OPEN_END if ">" in comparator else _scaled(value["value"])
        yield from _named(value, lo, hi)


def _scaled(value: Decimal | int) -> int:
    return _within(floor(value.scaleb(6)) if isinstance(value, Decimal) else value * SCALE)


def _named(quantity: Json, lo: int, hi: int) -> Iterator[Indexed]:
    if "currency" in quantity:
        yield _CURRENCY, quantity["currency"], lo, hi
        return
    code, unit = quantity.get("code", ""), quantity.get("unit", "")
    yield quantity.get("system", ""), code, lo, hi
    if unit and unit != code:
        yield "", unit, lo, hi
