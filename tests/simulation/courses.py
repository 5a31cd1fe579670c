"""Invented courses of known truth: a rate, an error of measurement, serial correlation, gaps, examiners.

Errors of visits follow a first-order autoregression with the standard error asked for. Gaps are uniform from 1 to 6
days. With two examiners the second reads from the middle on, off by a normal amount with the standard error's own
spread. Values are read to whole degrees. No value of the serial correlation is published for hand motion.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import product
from random import Random

from service.domain.anatomy import Site
from service.domain.change.comparable import Point, Trajectory
from service.domain.change.plateau import WORTHWHILE
from service.domain.error import ERRORS

START = datetime(2026, 1, 5, 9, tzinfo=UTC)
WORTHWHILE_RATE = WORTHWHILE["joint-motion"]
VISITS = (4, 6, 8, 10, 12, 15)
RATES = (0.0, 0.5, 1.0)
"""Shares of the smallest worthwhile rate: none, half of it, and just worthwhile."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of a course, and whether an error of its measure is published."""

    correlation: float
    sem: float
    visits: int
    examiners: int
    share: float
    published: bool

    @property
    def rate(self) -> float:
        """Degrees a week."""
        return self.share * float(WORTHWHILE_RATE.amount)


def grid() -> Iterator[Truth]:
    """Every combination."""
    for published, correlation, sem, visits, examiners, share in product(
        (True, False), (0.0, 0.2, 0.4, 0.6), (2.0, 4.0, 8.0), VISITS, (1, 2), RATES
    ):
        yield Truth(correlation, sem, visits, examiners, share, published)


def course_of(truth: Truth, random: Random) -> Trajectory:
    """One course."""
    off, day, points = random.gauss(0, 1), 0.0, []
    shift = random.gauss(0, truth.sem)
    for n in range(truth.visits):
        second = truth.examiners == 2 and n >= truth.visits // 2
        value = 40 + truth.rate * day / 7 + truth.sem * off + (shift if second else 0)
        when = START + timedelta(days=day)
        points.append(Point(when, f"{n}", Decimal(round(value)), {"performer": "B" if second else "A"}))
        day += random.uniform(1, 6)
        off = truth.correlation * off + (1 - truth.correlation**2) ** 0.5 * random.gauss(0, 1)
    return Trajectory(
        key=("joint-motion", "invented"),
        measure="flexion-position",
        title="Flexion position",
        site=Site("right", "ring-pip"),
        conditions={},
        unit="deg",
        better="more",
        points=tuple(points),
        errors=ERRORS["joint-motion"] if truth.published else (),
    )
