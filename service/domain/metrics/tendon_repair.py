"""What the grades of a finger after a flexor repair share: its total motion beside its tip-to-palm distance."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.kinds import tip_to_palm
from service.domain.measurement import Coded, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, visit_of, withheld
from service.domain.metrics import total_active_motion
from service.domain.metrics.tip_travel import distance_of
from service.domain.metrics.total_motion import ends_of

Grade = Callable[[Decimal, Decimal, Decimal], tuple[str, Mapping[str, int]]]
"""From distance in cm, sum of extension deficits and total motion in degrees, the grade and the points behind it."""


def graded(
    metric: Metric,
    grade: Grade,
    measurements: Sequence[Measurement],
    states: Sequence[PartState],
    parameters: Parameters,
) -> tuple[Result, ...]:
    """One result for each total active motion of a finger."""
    distances = [m for m in measurements if m.kind == tip_to_palm.KIND.name and m.answer("mode") != "passive"]
    totals = [t for t in total_active_motion.compute(measurements, states, parameters) if t.site.key != "thumb"]
    return tuple(_of_finger(metric, grade, total, distances, parameters) for total in totals)


def _of_finger(
    metric: Metric, grade: Grade, total: Result, distances: Sequence[Measurement], parameters: Parameters
) -> Result:
    own = [
        d
        for d in distances
        if (visit_of(d), d.site, d.answer("treatment")) == (total.visit, total.site, total.conditions["treatment"])
        and d.answer("reach") == "flexed"
    ]
    value, points = _value(metric, grade, total, own, parameters)
    return metric.result(
        total.site,
        value,
        [*total.inputs, *own],
        total.conditions,
        at=total,
        parts=(total,),
        parameters=total.parameters,
        notes=total.notes,
        counts=points,
    )


def _value(
    metric: Metric, grade: Grade, total: Result, own: Sequence[Measurement], parameters: Parameters
) -> tuple[Coded | Missing, Mapping[str, int]]:
    distance = distance_of(own, "flexed")
    closed = withheld(metric.source, parameters)
    if not isinstance(total.value, Quantity):
        return total.value if isinstance(total.value, Missing) else Missing("no-number", "There is no total."), {}
    if closed:
        return closed, {}
    if isinstance(distance, Missing):
        return distance, {}
    deficit = sum((ends_of(arc)[1] for arc in total.parts if not arc.is_missing), Decimal(0))
    found, points = grade(distance.number, deficit, total.value.number)
    return Coded(found), points
