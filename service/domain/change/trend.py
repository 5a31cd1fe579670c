"""The rate at which a measure changes: Theil-Sen slope a week with its interval, and the exact Mann-Kendall test.

Sources: Theil 1950; Sen, J Am Stat Assoc 1968;63:1379; strata (visits joined only within one examiner, instrument and
method, so that a change of examiner is no trend): Hirsch, Slack & Smith, Water Resour Res 1982;18:107.

Two intervals are told. `interval` is the published one, which supposes that errors of neighbouring visits have nothing
to do with each other. Verdicts rest on `allowed`: the same, widened as if those errors were correlated by
`CORRELATION`, and never narrower than measurement error alone makes it. How often verdicts are wrong with it stands in
DEVELOPERS.md, from `python -m tests.simulation`. Both are a rule of this record where they go beyond the sources.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from math import pi, sqrt
from statistics import NormalDist, median

from service.domain.change.comparable import Trajectory
from service.domain.change.kendall import Stratum, order_of, slopes_to_leave
from service.domain.change.noise import noise_of
from service.domain.metric import Missing
from service.domain.units import rounded

LEVEL = 0.95
CORRELATION = 0.4
WIDENING = sqrt((1 + CORRELATION) / (1 - CORRELATION))
"""What a serial correlation does to the spread of a slope over many evenly spaced visits."""
Z = NormalDist().inv_cdf((1 + LEVEL) / 2)
EFFICIENCY = 3 / pi
"""Of the median slope beside least squares, with normal errors and many visits (Sen 1968)."""
FEWEST_FOR_SLOPE = 3
FEWEST_FOR_ORDER = 5
SERIAL = (
    f"intervals allow for errors of neighbouring visits that are correlated by up to {CORRELATION}; no value is"
    " published for hand motion, with a stronger correlation they are too narrow, and the p of Mann-Kendall allows for"
    " none"
)


@dataclass(frozen=True, slots=True)
class Interval:
    """From `low` to `high`, at a level of confidence."""

    low: Decimal
    high: Decimal
    level: str = "95%"


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Pairs of visits that rise minus those that fall, and the two-sided probability of as much by chance."""

    score: int
    pairs: int
    p: Decimal
    exact: bool


@dataclass(frozen=True, slots=True)
class Trend:
    """How a trajectory runs. `slope`, `interval` and `allowed` are units a week; `now` is the line at the last visit.

    `strata` counts the examiners, instruments and methods that visits were parted by; `spread` is the standard
    deviation of the values around the line, or the measurement error where that is larger.
    """

    visits: int
    first: datetime | None
    last: datetime | None
    days: int
    slope: Decimal | Missing
    interval: Interval | Missing
    allowed: Interval | Missing
    order: MannKendall | Missing
    now: Decimal | Missing
    spread: Decimal | Missing
    strata: int = 1
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """The numbers behind a trend, as plain floats: what simulations and charts compute with."""

    slope: float
    slopes: tuple[float, ...]
    sizes: tuple[int, ...]
    squares: float
    now: float
    spread: float

    def interval(self, level: float = LEVEL) -> tuple[float, float] | None:
        """The rank interval of the slope; None where so few visits have none at this level."""
        leave = slopes_to_leave(self.sizes, level)
        return None if leave < 0 else (self.slopes[leave], self.slopes[-1 - leave])

    def allowed(self, noise: float) -> tuple[float, float] | None:
        """The interval that verdicts rest on; `noise` is the standard deviation that measuring alone makes."""
        found = self.interval()
        if found is None:
            return None
        half = Z * noise / sqrt(EFFICIENCY * self.squares)
        low, high = (self.slope + WIDENING * (end - self.slope) for end in found)
        return min(low, self.slope - half), max(high, self.slope + half)


def line_through(strata: Sequence[Stratum]) -> Line | None:
    """The Theil-Sen line through values over time, in the time's own unit; None where no two values can be joined.

    `now` lies on the line through the stratum of the last value.
    """
    slopes = sorted(
        (later[1] - earlier[1]) / (later[0] - earlier[0])
        for stratum in strata
        for n, later in enumerate(stratum)
        for earlier in stratum[:n]
    )
    if not slopes:
        return None
    slope = median(slopes)
    levels = [median(y - slope * t for t, y in stratum) for stratum in strata]
    rest = [y - slope * t - level for stratum, level in zip(strata, levels, strict=True) for t, y in stratum]
    freedom = len(rest) - 1 - len(strata)
    last = max(range(len(strata)), key=lambda n: strata[n][-1][0])
    return Line(
        slope=slope,
        slopes=tuple(slopes),
        sizes=tuple(len(stratum) for stratum in strata),
        squares=sum(_squares(stratum) for stratum in strata),
        now=levels[last] + slope * strata[last][-1][0],
        spread=sqrt(sum(r * r for r in rest) / freedom) if freedom > 0 else 0.0,
    )


def _squares(stratum: Stratum) -> float:
    middle = sum(t for t, _ in stratum) / len(stratum)
    return sum((t - middle) ** 2 for t, _ in stratum)


def strata_of(trajectory: Trajectory) -> list[list[tuple[float, float]]]:
    """Times in weeks and values, parted by examiner, instrument and method; unknown goes with unknown only."""
    found: dict[tuple[str, ...], list[tuple[float, float]]] = {}
    for point, week, value in zip(trajectory.points, trajectory.weeks, trajectory.values, strict=True):
        found.setdefault(point.stratum, []).append((week, value))
    return list(found.values())


def trend_of(trajectory: Trajectory) -> Trend:
    """The trend of a trajectory; what so few visits do not give is `Missing`, with the reason."""
    points = trajectory.points
    if not points:
        return _without(trajectory, Missing("all-missing", "There is no visit with a value."))
    if len(points) == 1:
        return _without(trajectory, Missing("one-visit", "There is a value of one visit only."))
    strata = strata_of(trajectory)
    line = line_through(strata)
    if line is None:
        reason = "No two visits have the same examiner, instrument and method: a difference may be one between those."
        return _without(trajectory, Missing("no-pair", reason))
    few = Missing("too-few-visits", f"{len(points)} visits have a value; a slope needs {FEWEST_FOR_SLOPE}.")
    if len(points) < FEWEST_FOR_SLOPE:
        return _without(trajectory, few)
    slope, interval, allowed = _rates(trajectory, line)
    return Trend(
        visits=len(points),
        first=points[0].when,
        last=points[-1].when,
        days=(points[-1].day - points[0].day).days,
        slope=slope,
        interval=interval,
        allowed=allowed,
        order=_order(strata, len(points)),
        now=_no_distance(trajectory) or _told(line.now),
        spread=_no_distance(trajectory) or _told(max(line.spread, noise_of(trajectory).amount)),
        strata=len(strata),
        notes=tuple(_notes(trajectory, strata)),
    )


def _rates(trajectory: Trajectory, line: Line) -> tuple[Decimal | Missing, Interval | Missing, Interval | Missing]:
    ranks = _no_distance(trajectory)
    if ranks:
        return ranks, ranks, ranks
    plain, allowed = line.interval(), line.allowed(noise_of(trajectory).amount)
    if plain is None or allowed is None:
        few = _too_few(line)
        return _told(line.slope), few, few
    return _told(line.slope), _interval(plain), _interval(allowed)


def _too_few(line: Line) -> Missing:
    sizes = " and ".join(str(n) for n in sorted(line.sizes, reverse=True))
    of_each = " by examiner, instrument and method" if len(line.sizes) > 1 else ""
    return Missing("too-few-visits", f"So few visits ({sizes}{of_each}) have no interval at 95%; five in one line do.")


def _no_distance(trajectory: Trajectory) -> Missing | None:
    if trajectory.scale == "amount":
        return None
    return Missing("ranks", "Steps of an ordered list have an order and no distance: they have no rate.")


def _order(strata: Sequence[Stratum], visits: int) -> MannKendall | Missing:
    if visits < FEWEST_FOR_ORDER:
        reason = f"{visits} visits have a value; the test needs {FEWEST_FOR_ORDER}."
        return Missing("too-few-visits", reason)
    found = order_of(strata)
    if found.pairs == 0 or found.variance == 0:
        return Missing("constant", "All values are equal: there is no order to test.")
    return MannKendall(found.score, found.pairs, _told(found.p), found.exact)


def _without(trajectory: Trajectory, why: Missing) -> Trend:
    points = trajectory.points
    first, last = (points[0].when, points[-1].when) if points else (None, None)
    days = (last.date() - first.date()).days if first and last else 0
    return Trend(len(points), first, last, days, why, why, why, why, why, why)


def _notes(trajectory: Trajectory, strata: Sequence[Stratum]) -> list[str]:
    notes = [SERIAL] if len(trajectory.points) >= FEWEST_FOR_ORDER else []
    if len(strata) > 1:
        alone = sum(len(stratum) == 1 for stratum in strata)
        told = f"examiner, instrument or method changed ({len(strata)} in all): only visits of the same are joined"
        notes.append(told + (f", which leaves {alone} out" if alone else ""))
    if len(set(trajectory.values)) == 1:
        notes.append("all values are equal")
    return [*notes, *noise_of(trajectory).notes]


def _told(number: float) -> Decimal:
    return rounded(Fraction(number), 4)


def _interval(ends: tuple[float, float]) -> Interval:
    low, high = ends
    return Interval(_told(low), _told(high))
