"""Arc of motion of the wrist, forearm, elbow or shoulder: from where motion ends one way to where it ends the other."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PartState, Site, lacking
from service.domain.arcs import ARCS, Arc, direction_of
from service.domain.kinds.joint_motion import position
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of

_ALIKE = ("mode", "orthosis_state", "treatment")


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each joint, arc, visit and set of conditions in which one end of the arc was read."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    arcs: dict[tuple[str, ...], Arc] = {}
    for reading in measurements:
        arc = _arc_of(reading)
        if arc:
            key = (visit_of(reading), reading.site.code, arc.name, *(reading.answer(n) for n in _ALIKE))
            groups.setdefault(key, []).append(reading)
            arcs[key] = arc
    return tuple(_result(group, arcs[key], states) for key, group in groups.items())


def _arc_of(reading: Measurement) -> Arc | None:
    part = reading.site.part
    if reading.kind != "joint-motion" or part.digit:
        return None
    direction = direction_of(part.joint, reading.answer("motion"))
    return next((arc for arc in ARCS[part.joint] if direction in (arc.first, arc.second)), None)


def _result(readings: Sequence[Measurement], arc: Arc, states: Sequence[PartState]) -> Result:
    first = readings[0]
    conditions = {"arc": arc.name, **{name: first.answer(name) for name in _ALIKE}}
    return METRIC.result(first.site, _value(readings, arc, states), readings, conditions)


def _value(readings: Sequence[Measurement], arc: Arc, states: Sequence[PartState]) -> Quantity | Missing:
    site = readings[0].site
    lack = lacking(states, site, readings[0].circumstances.taken.date())
    if lack:
        return Missing("part-lacking", f"The {site.name} does not move: {lack.site.name} {lack.state}.")
    ends = [_end(site, readings, direction.name) for direction in (arc.first, arc.second)]
    missing = next((end for end in ends if isinstance(end, Missing)), None)
    return missing or Quantity(sum((end for end in ends if isinstance(end, Decimal)), Decimal(0)), "deg")


def _end(site: Site, readings: Sequence[Measurement], direction: str) -> Decimal | Missing:
    words = direction.replace("-", " ")
    found = {p[1] for r in readings for p in [position(r)] if p and p[0] == direction}
    beyond = found - {Decimal(0)} or found
    if not beyond:
        return Missing("not-measured", f"{words.capitalize()} of the {site.name} has no value at this visit.")
    if len(beyond) > 1:
        reason = f"{words.capitalize()} of the {site.name} was read more than once, with different values."
        return Missing("read-twice", reason)
    return beyond.pop()


METRIC = Metric(
    name="limb-arc",
    version=1,
    title="Arc of motion of the wrist, forearm, elbow or shoulder",
    unit="deg",
    formula=(
        "Motion one way plus motion the opposite way, each from neutral, an amount short of neutral counting below 0; "
        "both of one visit, one mode and one orthosis state."
    ),
    source=Source("neutral-zero method, e.g. Hahn et al., Handchir Mikrochir Plast Chir 2016;48:290", "published"),
    rule=compute,
)
