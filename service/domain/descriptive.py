"""Statistics that describe a row of numbers and nothing else, exact where they can be.

Quantiles interpolate between the two nearest numbers (the seventh definition of Hyndman and Fan 1996,
doi:10.1080/00031305.1996.10473566); deviations are those of a sample, with one less than the count below the line.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from decimal import Decimal, localcontext
from fractions import Fraction

Numbers = Sequence[Decimal]


_DIGITS = 400
"""More than any number of a resource has on both sides of its point."""


def _mean(numbers: Numbers) -> Decimal:
    whole = sum(map(Fraction, numbers), Fraction(0)) / len(numbers)
    return Decimal(whole.numerator) / Decimal(whole.denominator)


def quantile(numbers: Numbers, share: Fraction) -> Decimal:
    """The number below which that share of the numbers lies; `share` is 0 to 1."""
    ordered = sorted(numbers)
    place = share * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    found = Fraction(ordered[below]) + (place - below) * (Fraction(ordered[above]) - Fraction(ordered[below]))
    return Decimal(found.numerator) / Decimal(found.denominator)


def _at(share: Fraction) -> Callable[[Numbers], Decimal]:
    return lambda numbers: quantile(numbers, share)


STATISTICS: dict[str, tuple[int, Callable[[Numbers], Decimal]]] = {
    "average": (1, _mean),
    "maximum": (1, max),
    "minimum": (1, min),
    "median": (1, statistics.median),
    "sum": (1, lambda numbers: sum(numbers, Decimal(0))),
    "std-dev": (2, statistics.stdev),
    "variance": (2, statistics.variance),
    "20-percent": (1, _at(Fraction(1, 5))),
    "80-percent": (1, _at(Fraction(4, 5))),
    "4-lower": (1, _at(Fraction(1, 4))),
    "4-upper": (1, _at(Fraction(3, 4))),
}
"""The least count of numbers each needs, and how it is computed; named as R4's observation-statistics names it."""


def described(name: str, numbers: Numbers) -> Decimal | None:
    """One of `STATISTICS` of these numbers, with at most two places more than they have; None of too few numbers."""
    least, compute = STATISTICS[name]
    if len(numbers) < least:
        return None
    with localcontext(prec=_DIGITS):
        places = max(-int(number.as_tuple().exponent) for number in numbers)
        found = compute(numbers)
        rounded = found.quantize(Decimal(1).scaleb(-max(places, 0) - 2))
    return found if rounded == found else rounded
