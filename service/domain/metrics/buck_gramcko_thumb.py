"""Points and grade of the thumb's IP joint after a flexor repair, by the table of 1976."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PartState, Site
from service.domain.measurement import Coded, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, withheld
from service.domain.metrics.grades import GRADES
from service.domain.metrics.total_motion import ends_of, totals

SOURCE = Source("Buck-Gramcko, Dietrich & Goegge, Handchirurgie 1976;8:65-69", "from memory")


def points_at_least(amount: Decimal, *steps: tuple[int, int]) -> int:
    """The points of the first step whose limit the amount reaches; 0 where it reaches none."""
    return next((points for limit, points in steps if amount >= limit), 0)


def points_at_most(amount: Decimal, *steps: tuple[str, int]) -> int:
    """The points of the first step whose limit the amount does not exceed; 0 where it exceeds all."""
    return next((points for limit, points in steps if amount <= Decimal(limit)), 0)


def grade_of(points: int) -> str:
    """The grade of a sum of points, 0 to 15."""
    return next((grade for least, grade in ((14, "excellent"), (11, "good"), (7, "fair")) if points >= least), "poor")


def points_of(flexion: Decimal, deficit: Decimal, motion: Decimal) -> dict[str, int]:
    """The points for flexion, extension deficit and range of the thumb's IP joint, in degrees."""
    return {
        "points-flexion": points_at_least(flexion, (50, 6), (30, 4), (10, 2)),
        "points-deficit": points_at_most(deficit, ("10", 3), ("20", 2), ("30", 1)),
        "points-range": points_at_least(motion, (40, 6), (30, 4), (20, 2)),
    }


def _joints(digit: Site) -> tuple[Site, ...]:
    return (digit.on("thumb-ip"),) if digit.key == "thumb" else ()


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each thumb, visit and set of conditions in which its IP joint was read."""
    return tuple(
        _graded(each, parameters) for each in totals(METRIC, "active", measurements, states, parameters, _joints)
    )


def _graded(motion: Result, parameters: Parameters) -> Result:
    closed = withheld(SOURCE, parameters)
    value: Coded | Missing
    points: dict[str, int] = {}
    if isinstance(motion.value, Missing):
        value = motion.value
    elif closed:
        value = closed
    else:
        flexion, deficit = ends_of(motion.parts[0])
        points = points_of(flexion, deficit, motion.value.number if isinstance(motion.value, Quantity) else Decimal(0))
        points["points"] = sum(points.values())
        value = Coded(grade_of(points["points"]))
    return METRIC.result(
        motion.site,
        value,
        motion.inputs,
        motion.conditions,
        at=motion,
        parts=motion.parts,
        parameters=motion.parameters,
        notes=motion.notes,
        counts=points,
    )


METRIC = Metric(
    name="buck-gramcko-thumb",
    version=1,
    title="Grade of the thumb's IP joint (Buck-Gramcko)",
    values=GRADES,
    formula=(
        "Points: flexion from 50, 30, 10 degrees 6, 4, 2; extension deficit up to 10, 20, 30 degrees 3, 2, 1; range "
        "from 40, 30, 20 degrees 6, 4, 2. Excellent from 14 points, good from 11, fair from 7, else poor."
    ),
    source=SOURCE,
    rule=compute,
)
