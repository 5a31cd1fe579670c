"""One measure of one part over time: what may stand in one line, what was left out of it, and what changed around it.

A trajectory never mixes what the key of its kind names (see `service.domain.series`). What the kind watches may change
along it, and every change is marked on the point where it shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from itertools import pairwise
from typing import Literal

from service.domain.anatomy import Site
from service.domain.error import PublishedError
from service.domain.measurement import Better
from service.domain.metric import Missing

STRATA = ("performer", "instrument", "method")
"""Watched fields whose change can shift a value as a whole: visits that differ in them are not joined by a slope."""
_WEEK = 7 * 24 * 3600


@dataclass(frozen=True, slots=True)
class Input:
    """A reading that a point rests on: the id and version of its Observation."""

    id: str
    version: str


@dataclass(frozen=True, slots=True)
class Point:
    """The value of one visit, in the trajectory's unit.

    `around` holds the watched fields as they were (`unknown` where not recorded), `changed` what of them changed since
    the point before, in words. `code` is the category where the value is a rank on the kind's own scale.
    """

    when: datetime
    visit: str
    value: Decimal
    around: Mapping[str, str] = field(default_factory=dict)
    changed: tuple[str, ...] = ()
    inputs: tuple[Input, ...] = ()
    code: str = ""
    day_only: bool = False

    @property
    def day(self) -> date:
        """The local calendar day."""
        return self.when.date()

    @property
    def stratum(self) -> tuple[str, ...]:
        """Examiner, instrument and method, as far as the kind watches them."""
        return tuple(self.around.get(name, "") for name in STRATA)

    @property
    def examiner(self) -> str:
        """Who measured; `unknown` where nobody said, or where several did."""
        return self.around.get("performer", "unknown")


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A value on record that the trajectory does not use, and why."""

    when: datetime
    visit: str
    because: Missing


@dataclass(frozen=True, slots=True)
class Trajectory:
    """One measure at one site under one set of conditions, over time.

    `measure` is the code of a reading, the name of a metric, or `…-position` for the signed position in which the two
    names of one end of an arc are joined (degrees beyond neutral, negative where neutral is not reached). `codes` are
    the codes of the readings it holds, so that a goal can find it. `scale` is `rank` where the values are steps of an
    ordered list: those have an order and no distance. `points` are in order of time, one a day at most; `errors` are
    the published errors, none means not published. `is_metric` tells results of a metric from readings: the same
    readings may stand in both, so the two are never counted together.
    """

    key: tuple[str, ...]
    measure: str
    title: str
    site: Site
    conditions: Mapping[str, str]
    unit: str
    better: Better
    points: tuple[Point, ...]
    errors: tuple[PublishedError, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    codes: tuple[str, ...] = ()
    scale: Literal["amount", "rank"] = "amount"
    is_metric: bool = False
    notes: tuple[str, ...] = ()

    def between(self, since: date | None = None, until: date | None = None) -> Trajectory:
        """The part of it from the day `since` on and up to the day `until`, both included; days are local."""
        kept = tuple(p for p in self.points if (not since or p.day >= since) and (not until or p.day <= until))
        return replace(self, points=kept)

    @property
    def is_position(self) -> bool:
        """Whether its values are signed positions: no ratio of two of them has a meaning."""
        return self.measure.endswith("-position")

    @property
    def values(self) -> tuple[float, ...]:
        """The values in order of time, for statistics."""
        return tuple(float(p.value) for p in self.points)

    @property
    def weeks(self) -> tuple[float, ...]:
        """The times of the points in weeks since the first of them."""
        return tuple(weeks_between(self.points[0].when, p.when) for p in self.points)


def weeks_between(earlier: datetime, later: datetime) -> float:
    """The time between two moments in weeks; negative where `later` is the earlier one."""
    return (later - earlier).total_seconds() / _WEEK


def marked(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """The same points with what changed around each since the one before it."""
    first = tuple(replace(p, changed=()) for p in points[:1])
    return first + tuple(replace(after, changed=changes(before, after)) for before, after in pairwise(points))


def changes(earlier: Point, later: Point) -> tuple[str, ...]:
    """What changed around the value from one point to another, in words."""
    return tuple(
        f"{name.replace('_', ' ')}: {earlier.around.get(name, 'unknown')} before, {now} now"
        for name, now in later.around.items()
        if earlier.around.get(name, "unknown") != now
    )
