"""How many degrees a joint gives for each newton metre: the slope through the points of one torque-angle test."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.arcs import direction_of
from service.domain.field import amount_of
from service.domain.kinds import torque_angle
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of
from service.domain.units import rounded, unit

_ALIKE = ("neighbours_held", "treatment")
Points = list[tuple[Fraction, Fraction]]


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each joint, direction, visit and set of conditions with a point."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        if reading.kind == torque_angle.KIND.name:
            direction = direction_of(reading.site.part.joint, reading.answer("motion"))
            name = direction.name if direction else ""
            key = (visit_of(reading), reading.site.code, name, *(reading.answer(n) for n in _ALIKE))
            groups.setdefault(key, []).append(reading)
    return tuple(_slope(key[2], group) for key, group in groups.items())


def torque_of(reading: Measurement) -> Fraction:
    """The torque of one point in newton metres: force times the distance at which it was applied."""
    force, distance = (amount_of(reading.answer(name)) for name in ("force", "lever_arm"))
    newtons = Fraction(force[0]) * unit(force[1]).size
    return newtons * Fraction(distance[0]) * unit(distance[1]).size / 1000


def _slope(direction: str, readings: Sequence[Measurement]) -> Result:
    first = readings[0]
    conditions = {"direction": direction, **{name: first.answer(name) for name in _ALIKE}}
    points: Points = [(torque_of(r), angle) for r in readings for angle in [_angle(r)] if angle is not None]
    counts = {"points": len(points)}
    return METRIC.result(first.site, slope_of(points), readings, conditions, counts=counts)


def _angle(reading: Measurement) -> Fraction | None:
    """The signed position in the direction of the motion; a deficit counts below 0."""
    direction = direction_of(reading.site.part.joint, reading.answer("motion"))
    if direction is None or reading.number is None:
        return None
    return Fraction(direction.position(reading.answer("motion"), reading.number))


def slope_of(points: Points) -> Quantity | Missing:
    """The least-squares slope of degrees on newton metres."""
    if len({torque for torque, _ in points}) < 2:
        return Missing("too-few-points", "A slope needs angles under at least two different torques.")
    mean_x = sum((x for x, _ in points), Fraction(0)) / len(points)
    mean_y = sum((y for _, y in points), Fraction(0)) / len(points)
    across = sum(((x - mean_x) * (y - mean_y) for x, y in points), Fraction(0))
    return Quantity(rounded(across / sum((x - mean_x) ** 2 for x, _ in points)), "deg/(N.m)")


METRIC = Metric(
    name="torque-angle-slope",
    version=1,
    title="Slope of the torque-angle curve",
    unit="deg/(N.m)",
    formula=(
        "Least-squares slope of the angle (an extension deficit counting below 0) on the torque, force times "
        "perpendicular distance, through all points of one visit."
    ),
    source=Source("Brand; Breger-Lee 1990, torque range of motion", "from memory"),
    rule=compute,
)
