"""Coefficient of variation of the trials of a grip test."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from math import isqrt

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics.grip_trials import conditions_of, is_grip, trials_done
from service.domain.units import rounded


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    return tuple(variation_of(m) for m in measurements if is_grip(m))


def variation_of(test: Measurement) -> Result:
    """The coefficient of variation of one test, in percent."""
    return METRIC.result(test.site, _value(test), (test,), conditions_of(test), parameters={"sd": "sample"})


def _value(test: Measurement) -> Quantity | Missing:
    numbers = [Fraction(q.number) for q in trials_done(test)]
    if len(numbers) < 2:
        return Missing("too-few-trials", f"The grip of the {test.site.name} has fewer than two recorded trials.")
    mean = sum(numbers, Fraction(0)) / len(numbers)
    if mean == 0:
        return Missing("zero-mean", f"The mean of the trials of the {test.site.name} is 0.")
    variance = sum(((n - mean) ** 2 for n in numbers), Fraction(0)) / (len(numbers) - 1)
    return Quantity(_root(variance * (100 / mean) ** 2), "%")


def _root(square: Fraction, places: int = 6) -> Decimal:
    """The square root of an exact number, cut at twice as many places before it is rounded."""
    scale: int = 10 ** (2 * places)
    return rounded(Fraction(isqrt(int(square * scale**2)), scale), places)


METRIC = Metric(
    name="grip-variation",
    version=1,
    title="Coefficient of variation of the grip trials",
    unit="%",
    formula="100 x SD / mean of the trials done, SD with n - 1 (sample SD).",
    source=Source("Shechtman, part I; Ergonomics 1995;38:1819", "published"),
    rule=compute,
    caveat=(
        "a number only, no sign of effort: the cut-off of 7.5% misjudged 97% of sincere women and 64% of sincere men "
        "(Ergonomics 1995;38:1819)"
    ),
)
