"""Where a measure stands: gaining, losing, on a plateau, at its ceiling, or none of these can be told.

A plateau is not a failure to see a gain. Gaining or losing: the interval of the rate leaves out 0. Plateau: the whole
interval lies within the smallest rate that the clinic calls worthwhile (equivalence by the inclusion of an interval:
Westlake, Biometrics 1976;32:741, cited from memory). At ceiling: what the part can reach is reached. All else cannot
be told from these visits.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from math import sqrt
from typing import Literal

from service.domain.change.comparable import Trajectory, weeks_between
from service.domain.change.noise import noise_of
from service.domain.change.trend import (
    EFFICIENCY,
    FEWEST_FOR_ORDER,
    FEWEST_FOR_SLOPE,
    WIDENING,
    Interval,
    Trend,
    Z,
    trend_of,
)
from service.domain.measurement import Better
from service.domain.metric import Missing
from service.domain.units import UNITS, convert, rounded

Answer = Literal["gaining", "losing", "rising", "falling", "plateau", "at-ceiling", "cannot-be-told"]
MOST_VISITS = 60
"""Where as many visits would not tell, no number of them is given."""


@dataclass(frozen=True, slots=True)
class Rate:
    """The smallest rate of change that is called worthwhile, a week, and who says so."""

    amount: Decimal
    unit: str
    source: str


_PROPOSED = "a proposal of this record, not published; the clinic sets its own"
WORTHWHILE: Mapping[str, Rate] = {
    "joint-motion": Rate(Decimal(3), "deg", _PROPOSED),
    "arc-of-motion": Rate(Decimal(3), "deg", _PROPOSED),
    "limb-arc": Rate(Decimal(3), "deg", _PROPOSED),
    "total-active-motion": Rate(Decimal(5), "deg", _PROPOSED),
    "total-passive-motion": Rate(Decimal(5), "deg", _PROPOSED),
    "extension-deficit-sum": Rate(Decimal(5), "deg", _PROPOSED),
    "grip-strength": Rate(Decimal(1), "kgf", _PROPOSED),
    "grip-summary": Rate(Decimal(1), "kgf", _PROPOSED),
}
"""By the name of a kind, of a metric, or of a trajectory's measure."""


@dataclass(frozen=True, slots=True)
class Ceiling:
    """What the measure can reach: the amount, and what sets it (passive motion, the other hand, a normal range)."""

    amount: Decimal
    what: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """The answer, in a sentence, with what it rests on.

    `more_visits` is how many more visits at the spacing so far would tell, where none can be told now: an estimate
    from the spread so far, `Missing` where there is none to give.
    """

    answer: Answer
    because: str
    trend: Trend
    worthwhile: Rate | Missing
    ceiling: Ceiling | Missing
    more_visits: int | Missing


def worthwhile_of(trajectory: Trajectory, rates: Mapping[str, Rate] = WORTHWHILE) -> Rate | Missing:
    """The rate that counts for a trajectory, in its unit: that of its measure, or of its kind or metric."""
    found = rates.get(trajectory.measure) or rates.get(trajectory.key[0])
    if found is None or found.amount <= 0:
        reason = "No smallest worthwhile rate is set for this measure."
        return Missing("no-worthwhile-rate", reason)
    if found.unit != trajectory.unit:
        if not {found.unit, trajectory.unit} <= set(UNITS) or not _one_dimension(found.unit, trajectory.unit):
            return Missing(
                "no-worthwhile-rate", f"The smallest worthwhile rate is set in {found.unit}, not in its unit."
            )
        return Rate(convert(found.amount, found.unit, trajectory.unit), trajectory.unit, found.source)
    return found


def _one_dimension(one: str, other: str) -> bool:
    return UNITS[one].dimension == UNITS[other].dimension


def standing_of(
    trajectory: Trajectory,
    worthwhile: Rate | Missing,
    ceilings: Sequence[Ceiling] = (),
    *,
    whole: Trajectory | None = None,
) -> Standing:
    """Where a trajectory stands at its last visit. It never says why, and never what should be done.

    `whole` is the trajectory that this one is the latest part of: spacing and spread of its visits tell what more of
    them would, where the part has too few of its own.
    """
    trend = trend_of(trajectory)
    reached = _reached(trajectory, ceilings)
    ceiling = reached or _nearest(trajectory, ceilings)
    answer, because = _answer(trajectory, trend, worthwhile, reached)
    more: int | Missing = Missing("told", "The visits so far tell.")
    if answer == "cannot-be-told":
        more = more_visits(trajectory, worthwhile, whole)
    return Standing(answer, because, trend, worthwhile, ceiling, more)


def _answer(
    trajectory: Trajectory, trend: Trend, worthwhile: Rate | Missing, reached: Ceiling | None
) -> tuple[Answer, str]:
    allowed = trend.allowed
    if reached and not _is_losing(allowed, trajectory.better):
        return "at-ceiling", _at_ceiling(trajectory, reached)
    if isinstance(allowed, Missing):
        return "cannot-be-told", allowed.reason
    span = f"{allowed.low} to {allowed.high} {trajectory.unit} a week"
    if allowed.low > 0 or allowed.high < 0:
        return _direction(allowed, trajectory.better), f"The interval of the rate leaves out 0: {span}."
    if isinstance(worthwhile, Missing):
        return "cannot-be-told", f"The interval of the rate holds 0 ({span}). {worthwhile.reason}"
    limit = f"{worthwhile.amount.normalize():f} {worthwhile.unit} a week"
    if -worthwhile.amount < allowed.low and allowed.high < worthwhile.amount:
        return "plateau", f"The whole interval of the rate, {span}, lies within {limit} either way."
    return "cannot-be-told", f"The interval of the rate, {span}, holds both 0 and a rate of {limit}."


def _at_ceiling(trajectory: Trajectory, reached: Ceiling) -> str:
    last = trajectory.points[-1].value
    beyond = last >= reached.amount if trajectory.better == "more" else last <= reached.amount
    how = "reaches" if beyond else "is within one standard error of"
    return f"The last value ({last.normalize():f}) {how} {reached.what} ({reached.amount.normalize():f})."


def _direction(allowed: Interval, better: Better) -> Answer:
    rises = allowed.low > 0
    if better == "unstated":
        return "rising" if rises else "falling"
    return "gaining" if rises == (better == "more") else "losing"


def _is_losing(allowed: Interval | Missing, better: Better) -> bool:
    if isinstance(allowed, Missing):
        return False
    return allowed.high < 0 if better == "more" else allowed.low > 0


def _reached(trajectory: Trajectory, ceilings: Iterable[Ceiling]) -> Ceiling | None:
    """The first ceiling that the last value reaches; within one published SEM of it counts as reached."""
    if not trajectory.points or trajectory.better == "unstated":
        return None
    last, noise = trajectory.points[-1].value, noise_of(trajectory)
    slack = rounded(Fraction(noise.amount)) if noise.published else Decimal(0)
    sign = 1 if trajectory.better == "more" else -1
    return next((c for c in ceilings if sign * (c.amount - last) <= slack), None)


def _nearest(trajectory: Trajectory, ceilings: Iterable[Ceiling]) -> Ceiling | Missing:
    found = list(ceilings)
    if not found or not trajectory.points:
        return Missing("no-ceiling", "Nothing on record says what this measure can reach.")
    return min(found, key=lambda c: abs(c.amount - trajectory.points[-1].value))


def more_visits(trajectory: Trajectory, worthwhile: Rate | Missing, whole: Trajectory | None = None) -> int | Missing:
    """How many more visits at this spacing make an interval no wider than the worthwhile rate: then it must tell.

    The spread so far, or the measurement error where it is larger, is taken as it is, and the middle of the gaps so
    far as the spacing of visits to come.
    """
    if isinstance(worthwhile, Missing):
        return worthwhile
    points = trajectory.points
    basis = trajectory if whole is None or len(points) >= FEWEST_FOR_ORDER else whole
    trend = trend_of(basis)
    if isinstance(trend.spread, Missing):
        return Missing("no-spacing", f"{FEWEST_FOR_SLOPE} visits are needed to know their spacing and their spread.")
    if len({p.stratum for p in points}) > 1:
        return Missing("strata", "It depends on which examiner, instrument and method the next visits have.")
    gaps = sorted(weeks_between(a.when, b.when) for a, b in pairwise(basis.points))
    gap, spread = gaps[len(gaps) // 2], float(trend.spread)
    for visits in range(max(len(points) + 1, FEWEST_FOR_ORDER), MOST_VISITS + 1):
        half = Z * WIDENING * spread / (gap * sqrt(EFFICIENCY * visits * (visits**2 - 1) / 12))
        if half <= float(worthwhile.amount) / 2:
            return visits - len(points)
    return Missing("too-many", f"Not within {MOST_VISITS} visits at this spacing, with values that vary so much.")


@dataclass(frozen=True, slots=True)
class Projection:
    """When a goal would be reached if the rate stayed as it was, between two days.

    `latest` is None where it lies further ahead than the time that was observed.
    """

    amount: Decimal
    earliest: datetime
    latest: datetime | None


def projection_of(
    trajectory: Trajectory, standing: Standing, goal: Decimal, limits: Iterable[Ceiling] = ()
) -> Projection | Missing:
    """When the goal would be reached at this rate, at most one observed span ahead and never beyond a ceiling.

    Only while gaining. The value now counts with its error, so that the interval holds both errors.
    """
    trend, sign = standing.trend, 1 if trajectory.better == "more" else -1
    allowed, now, spread = trend.allowed, trend.now, trend.spread
    if isinstance(allowed, Missing) or isinstance(now, Missing) or isinstance(spread, Missing):
        return Missing("no-rate", "There is no rate with an interval.")
    if sign * (goal - now) <= 0:
        return Missing("reached", "The line is at the goal already.")
    if standing.answer != "gaining":
        return Missing(
            "not-gaining", f"A day is projected only while gaining; the answer is: {standing.answer.replace('-', ' ')}."
        )
    beyond = next((c for c in limits if sign * (goal - c.amount) > 0), None)
    if beyond:
        return Missing("beyond-ceiling", f"The goal lies beyond {beyond.what} ({beyond.amount.normalize():f}).")
    gap, error = abs(float(goal - now)), Z * float(spread) / sqrt(trend.visits)
    slow, fast = sorted((abs(float(allowed.low)), abs(float(allowed.high))))
    observed = trend.days / 7
    soon, late = max(gap - error, 0.0) / fast, (gap + error) / slow
    if soon > observed:
        return Missing("too-far", "Not within as much time again as was observed.")
    last = trajectory.points[-1].when
    return Projection(goal, last + timedelta(weeks=soon), last + timedelta(weeks=late) if late <= observed else None)
