"""What of a gain in an orthosis, or just out of one, is there without it: a share, with its interval.

Share of carry-over: the gain outside divided by the gain inside, with Fieller's interval (Fieller, J R Stat Soc Suppl
1940;7:1; J R Stat Soc B 1954;16:175; for independent estimates restated at rdrr.io/cran/adjustedCurves).
It is made only where the gain inside is an improvement beyond the detectable change, which is exactly where that
interval is finite. That the two gains err independently is supposed: they are made of different readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import sqrt
from typing import Literal

from service.domain.change.comparable import Trajectory
from service.domain.change.trend import Interval, Z
from service.domain.change.verdict import Change
from service.domain.metric import Missing
from service.domain.units import rounded

STATE = "orthosis_state"
IN, OUT, FREE = "in-orthosis", "out-of-orthosis", "free"
STATES = {IN: "in the orthosis", OUT: "just out of the orthosis", FREE: "free"}
Finding = Literal["carries-over", "in-part", "does-not-carry-over", "cannot-be-told"]


@dataclass(frozen=True, slots=True)
class Gain:
    """One measure in one state of the orthosis over the time compared: `change` runs between its ends there."""

    state: str
    trajectory: Trajectory
    change: Change


@dataclass(frozen=True, slots=True)
class CarryOver:
    """The gain in state `outside` as a percentage of the gain in state `inside`, with its interval at 95%."""

    inside: str
    outside: str
    share: Decimal | Missing
    interval: Interval | Missing
    finding: Finding
    words: str


def carried(gains: Sequence[Gain]) -> tuple[CarryOver, ...]:
    """For each state, in the order in, just out, free: what of its gain is there in each state after it."""
    return tuple(_pairs(gains))


def _pairs(gains: Sequence[Gain]) -> Iterable[CarryOver]:
    for n, inside in enumerate(gains):
        yield from (_carry_over(inside, outside) for outside in gains[n + 1 :])


def _carry_over(inside: Gain, outside: Gain) -> CarryOver:
    because = _no_share(inside, outside)
    if because:
        words = f"whether a gain {STATES[inside.state]} carries over cannot be told: {because.reason}"
        return CarryOver(inside.state, outside.state, because, because, "cannot-be-told", words)
    a, b = inside.change, outside.change
    assert isinstance(a.amount, Decimal)  # noqa: S101 - `_no_share` would have told
    assert isinstance(b.amount, Decimal)  # noqa: S101 - the same
    variances = [2 * float(c.limit.sem) ** 2 for c in (a, b) if not isinstance(c.limit, Missing)]
    low, high = fieller(float(b.amount), float(a.amount), variances[1], variances[0])
    share = rounded(100 * Fraction(b.amount) / Fraction(a.amount), 0)
    interval = Interval(rounded(Fraction(100 * low), 0), rounded(Fraction(100 * high), 0))
    finding = _finding(low, high)
    words = _words(inside, outside, finding, f"{share:f}% ({interval.low:f} to {interval.high:f}%)")
    return CarryOver(inside.state, outside.state, share, interval, finding, words)


def _no_share(inside: Gain, outside: Gain) -> Missing | None:
    a, b = inside.change, outside.change
    if isinstance(a.amount, Missing):
        return a.amount
    if isinstance(a.limit, Missing):
        return a.limit
    if a.verdict != "improved":
        reason = f"The change {STATES[inside.state]} is no improvement beyond error ({a.words}): it has no share."
        return Missing("no-gain-inside", reason)
    if isinstance(b.amount, Missing):
        return Missing(b.amount.rule, f"Read {STATES[outside.state]}: {b.amount.reason}")
    return b.limit if isinstance(b.limit, Missing) else None


def fieller(upper: float, lower: float, var_upper: float, var_lower: float) -> tuple[float, float]:
    """Fieller's interval at 95% for upper / lower, two independent normal estimates with known variances.

    Finite where lower is beyond `Z` of its standard errors. Raises `ValueError` where it is not.
    """
    g = Z**2 * var_lower / lower**2
    if g >= 1:
        raise ValueError("the divisor does not differ from 0")
    ratio = upper / lower
    half = Z / abs(lower) * sqrt(var_upper * (1 - g) + ratio**2 * var_lower)
    return (ratio - half) / (1 - g), (ratio + half) / (1 - g)


def _finding(low: float, high: float) -> Finding:
    """By whether the interval leaves out none of the gain (0) and all of it (1)."""
    if high < 1:
        return "in-part" if low > 0 else "does-not-carry-over"
    return "carries-over" if low > 0 else "cannot-be-told"


_FOUND: dict[Finding, str] = {
    "carries-over": "carries over: a share of none is ruled out, the whole is not",
    "in-part": "carries over in part: a share of none and the whole are both ruled out",
    "does-not-carry-over": "does not carry over: the whole is ruled out, a share of none is not",
    "cannot-be-told": "carries over or not, which cannot be told: neither none nor the whole is ruled out",
}


def _words(inside: Gain, outside: Gain, finding: Finding, share: str) -> str:
    a, b, unit = inside.change, outside.change, inside.trajectory.unit
    return (
        f"the gain {STATES[inside.state]} ({a.amount:+f} {unit} in {a.days} days: {a.words}) {_FOUND[finding]};"
        f" {STATES[outside.state]} {b.amount:+f} {unit} in {b.days} days ({b.words}), a share of {share}"
    )
