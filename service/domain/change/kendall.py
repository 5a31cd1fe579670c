"""Kendall's score of order, and its exact distribution, ties and strata included.

Sources: Kendall, Rank Correlation Methods (1970); Mann, Econometrica 1945;13:245; strata as in the seasonal test of
Hirsch, Slack & Smith, Water Resour Res 1982;18:107. With ties in the values alone, the number of inversions of a
random arrangement follows the q-multinomial coefficient, so the distribution is exact however many values are equal.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import sqrt
from statistics import NormalDist

EXACT_UP_TO = 60
"""Above as many values in all, the normal approximation with continuity correction is used instead."""

Stratum = Sequence[tuple[float, float]]
"""Times and values that may be joined by slopes, in order of time, no two at one time."""


@dataclass(frozen=True, slots=True)
class Order:
    """Kendall's score S of values over time (pairs that rise minus pairs that fall), and what chance alone gives.

    `pairs` is the number of pairs compared, `variance` that of S without any trend, `p` the two-sided probability of
    a score at least as far from 0; `exact` tells whether by counting or by the normal approximation.
    """

    score: int
    pairs: int
    variance: Fraction
    p: float
    exact: bool


def order_of(strata: Sequence[Stratum]) -> Order:
    """The order of values over time, compared within each stratum only."""
    found = [[value for _, value in stratum] for stratum in strata]
    score = sum(_score(values) for values in found)
    sizes = tuple(tuple(sorted(Counter(values).values())) for values in found)
    pairs = sum(len(values) * (len(values) - 1) // 2 for values in found)
    variance = sum((_variance(groups) for groups in sizes), Fraction(0))
    exact = sum(map(len, found)) <= EXACT_UP_TO
    return Order(score, pairs, variance, _p_exact(sizes, score) if exact else _p_normal(variance, score), exact)


def _score(values: Sequence[float]) -> int:
    return sum((later > earlier) - (later < earlier) for n, later in enumerate(values) for earlier in values[:n])


def _variance(ties: Sequence[int]) -> Fraction:
    def term(n: int) -> int:
        return n * (n - 1) * (2 * n + 5)

    return Fraction(term(sum(ties)) - sum(map(term, ties)), 18)


def z_of(order: Order) -> float:
    """The standard score of S with continuity correction; 0 where S is 0 or cannot vary."""
    if order.score == 0 or order.variance == 0:
        return 0.0
    step = 1 if order.score > 0 else -1
    return (order.score - step) / sqrt(order.variance)


def _p_normal(variance: Fraction, score: int) -> float:
    z = z_of(Order(score, 0, variance, 1.0, exact=False))
    return min(1.0, 2 * NormalDist().cdf(-abs(z)))


def _p_exact(sizes: tuple[tuple[int, ...], ...], score: int) -> float:
    counts = inversions(sizes)
    most = len(counts) - 1  # S is most minus twice the inversions
    beyond = sum(count for n, count in enumerate(counts) if abs(most - 2 * n) >= abs(score))
    return beyond / sum(counts)


@lru_cache(maxsize=4096)
def inversions(sizes: tuple[tuple[int, ...], ...]) -> tuple[int, ...]:
    """How many arrangements have 0, 1, 2, … inversions; `sizes` are the sizes of groups of equal values, by stratum."""
    counts: tuple[int, ...] = (1,)
    for ties in sizes:
        counts = _times(counts, _q_multinomial(tuple(ties)))
    return counts


@lru_cache(maxsize=4096)
def _q_multinomial(ties: tuple[int, ...]) -> tuple[int, ...]:
    """The product of (1 - q^i) for i up to n, divided by the same for each group of ties."""
    counts = [1]
    for i in range(1, sum(ties) + 1):
        counts = [a - b for a, b in zip([*counts, *[0] * i], [*[0] * i, *counts], strict=True)]
    for size in ties:
        for i in range(1, size + 1):
            counts = _divided(counts, i)
    return tuple(counts)


def _divided(counts: Sequence[int], i: int) -> list[int]:
    """The polynomial divided by (1 - q^i), which divides it."""
    found: list[int] = []
    for n in range(len(counts) - i):
        found.append(counts[n] + (found[n - i] if n >= i else 0))
    return found


def _times(one: Sequence[int], other: Sequence[int]) -> tuple[int, ...]:
    found = [0] * (len(one) + len(other) - 1)
    for n, a in enumerate(one):
        for m, b in enumerate(other):
            found[n + m] += a * b
    return tuple(found)


@lru_cache(maxsize=4096)
def slopes_to_leave(sizes: tuple[int, ...], level: float) -> int:
    """How many of the sorted pairwise slopes lie outside an interval of this level, at each end; -1 where none can be.

    `sizes` are the sizes of the strata. The interval is that of Sen (J Am Stat Assoc 1968;63:1379), with the exact
    distribution up to `EXACT_UP_TO` values, so that its level is never below the one asked for.
    """
    pairs = sum(n * (n - 1) // 2 for n in sizes)
    if sum(sizes) > EXACT_UP_TO:
        spread = sqrt(sum(_variance((1,) * n) for n in sizes))
        return int((pairs - NormalDist().inv_cdf((1 + level) / 2) * spread) / 2) - 1
    counts = inversions(tuple((1,) * n for n in sizes))
    allowed, beyond, left = sum(counts) * (1 - level) / 2, 0, -1
    for count in counts:
        beyond += count
        if beyond > allowed:
            return left
        left += 1
    return left
