"""Points and grade of a finger after a flexor repair, by the table of 1976."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result
from service.domain.metrics.buck_gramcko_thumb import SOURCE, grade_of, points_at_least, points_at_most
from service.domain.metrics.grades import GRADES
from service.domain.metrics.tendon_repair import graded


def grade(distance: Decimal, deficit: Decimal, motion: Decimal) -> tuple[str, Mapping[str, int]]:
    """The grade, and the points for the tip's distance to the palm (cm), extension deficit and total motion."""
    points = {
        "points-distance": points_at_most(distance, ("2.5", 6), ("4", 4), ("6", 2)),
        "points-deficit": points_at_most(deficit, ("30", 3), ("50", 2), ("70", 1)),
        "points-range": points_at_least(motion, (160, 6), (140, 4), (120, 2)),
    }
    total = sum(points.values())
    return grade_of(total), {**points, "points": total}


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each total active motion of a finger."""
    return graded(METRIC, grade, measurements, states, parameters)


METRIC = Metric(
    name="buck-gramcko-finger",
    version=1,
    title="Grade of a finger (Buck-Gramcko)",
    values=GRADES,
    formula=(
        "Points: tip to palm up to 2.5, 4, 6 cm 6, 4, 2; sum of extension deficits up to 30, 50, 70 degrees 3, 2, 1; "
        "total active motion from 160, 140, 120 degrees 6, 4, 2. Excellent from 14 points, good from 11, fair from 7, "
        "else poor."
    ),
    source=SOURCE,
    rule=compute,
)
