"""The difference between passive and active motion at one end of a digit joint's arc."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState, Site
from service.domain.kinds.joint_motion import position
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of
from service.domain.metrics import arc_of_motion
from service.domain.metrics.arc_of_motion import is_of_digit_joint

Line = tuple[str, ...]


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each joint, end, visit, orthosis state and time about treatment that has an active reading.

    Each stands with the whole arcs, active and passive, so that an end is never without the other one.
    """
    arcs = {
        _arc_key(arc.visit, arc.site, arc.conditions): arc
        for arc in arc_of_motion.compute(measurements, states, parameters)
    }
    passive: dict[Line, list[Measurement]] = {}
    active: dict[Line, list[Measurement]] = {}
    for reading in measurements:
        found = position(reading) if is_of_digit_joint(reading) else None
        lines = {"active": active, "passive": passive}.get(reading.answer("mode"))
        if found and lines is not None:
            lines.setdefault(_line(reading, found[0]), []).append(reading)
    return tuple(_difference(line, readings, passive.get(line, []), arcs) for line, readings in active.items())


def _arc_key(visit: str, site: Site, conditions: Mapping[str, str]) -> Line:
    return visit, site.code, *(conditions[name] for name in arc_of_motion.ALIKE)


def _arcs_of(readings: Iterable[Measurement], arcs: Mapping[Line, Result]) -> tuple[Result, ...]:
    """The arcs that these readings are ends of, in order."""
    keys = (_arc_key(visit_of(m), m.site, {n: m.answer(n) for n in arc_of_motion.ALIKE}) for m in readings)
    return tuple(arcs[key] for key in dict.fromkeys(keys))


def _line(reading: Measurement, direction: str) -> Line:
    alike = (reading.answer("orthosis_state"), reading.answer("treatment"))
    return visit_of(reading), reading.site.code, direction, *alike


def _difference(
    line: Line, active: Sequence[Measurement], passive: Sequence[Measurement], arcs: Mapping[Line, Result]
) -> Result:
    direction, site = line[2], active[0].site
    conditions = {"motion": direction, "orthosis_state": line[3], "treatment": line[4]}
    inputs = [*active, *passive]
    whole = _arcs_of(inputs, arcs)
    pair = _pair(active, passive)
    if pair is None:
        reason = f"Passive {direction} of the {site.name} was not measured at this visit."
        return METRIC.result(site, Missing("not-measured", reason), inputs, conditions, parts=whole)
    here, there = _one(pair[0]), _one(pair[1])
    if here is None or there is None:
        reason = f"{direction.capitalize()} of the {site.name} was read more than once, with different values."
        return METRIC.result(site, Missing("read-twice", reason), inputs, conditions, parts=whole)
    notes = []
    if pair[0][0].answer("together") != pair[1][0].answer("together"):
        moved = " and ".join(f"{p[0].answer('mode')} {p[0].answer('together')}" for p in pair)
        notes.append(f"neighbouring joints differed ({moved})")
    if here > there:
        notes.append("active motion exceeds passive motion")
    used = [*pair[0], *pair[1]]
    value = Quantity(there - here, "deg")
    return METRIC.result(site, value, used, conditions, parts=_arcs_of(used, arcs), notes=notes)


def _pair(
    active: Sequence[Measurement], passive: Sequence[Measurement]
) -> tuple[list[Measurement], list[Measurement]] | None:
    """Active and passive readings with the neighbouring joints alike where there are such, else the first of each."""
    ways = [(a.answer("together"), p.answer("together")) for a in active for p in passive]
    if not ways:
        return None
    chosen = next((w for w in ways if w[0] == w[1]), ways[0])
    return (
        [a for a in active if a.answer("together") == chosen[0]],
        [p for p in passive if p.answer("together") == chosen[1]],
    )


def _one(readings: Sequence[Measurement]) -> Decimal | None:
    """The one position the readings agree on; a deficit of 0 beside hyperextension is one end described twice."""
    found = {p[1] for r in readings for p in [position(r)] if p}
    beyond_neutral = found - {Decimal(0)} or found
    return beyond_neutral.pop() if len(beyond_neutral) == 1 else None


METRIC = Metric(
    name="active-passive-difference",
    version=1,
    title="Active-passive difference",
    unit="deg",
    formula=(
        "Extension: active extension deficit minus passive extension deficit. Flexion: passive flexion minus active "
        "flexion. Hyperextension is a deficit below 0. Both readings of one visit and one orthosis state."
    ),
    source=Source("hand-therapy handbooks", "from memory"),
    rule=compute,
)
