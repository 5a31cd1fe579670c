"""How much a value varies by being measured: from published error where there is one, never less than its rounding."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from math import sqrt

from service.domain.change.comparable import Trajectory
from service.domain.error import PublishedError
from service.domain.units import convert

MDC_TO_SEM = 1.96 * sqrt(2)
"""MDC95 = 1.96 x sqrt(2) x SEM (PMC6558857, table 1)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """The standard deviation that measuring alone makes, in the trajectory's unit, and what it rests on."""

    amount: float
    published: bool
    notes: tuple[str, ...] = ()


def noise_of(trajectory: Trajectory) -> Noise:
    """The largest SEM that was published for the measure; without one, what rounding alone makes."""
    step = step_of(p.value for p in trajectory.points)
    rounding = float(step) / sqrt(12)
    largest = max((sem_of(error, trajectory.unit) for error in trajectory.errors), default=None)
    if largest is None:
        note = f"error not published: rounding to {step.normalize():f} is the least that is allowed for"
        return Noise(rounding, published=False, notes=(note,) if trajectory.scale == "amount" else ())
    return Noise(max(largest, rounding), published=True)


def sem_of(error: PublishedError, unit: str) -> float:
    """The SEM at the upper end of a published range, in `unit`."""
    high = float(convert(error.high, error.unit, unit))
    return high if error.statistic == "SEM" else high / MDC_TO_SEM


def step_of(values: Iterable[Decimal]) -> Decimal:
    """The largest of 1, 5, 10, … (or tenths of them) of which every value is a multiple: how finely it was read."""
    given = list(values)
    if not given:
        return Decimal(1)
    step = Decimal(1).scaleb(min(min(int(v.as_tuple().exponent), 0) for v in given))
    for larger in (5 * step, 10 * step, 50 * step, 100 * step):
        if larger > 10 or any(v % larger for v in given):
            break
        step = larger
    return step
