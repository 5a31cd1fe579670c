"""The one formula of total active and total passive motion of a digit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

from service.domain.anatomy import PARTS, PartState, Site
from service.domain.field import UNKNOWN
from service.domain.kinds.joint_motion import position
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, visit_of
from service.domain.metrics.arc_of_motion import arc_of, is_of_digit_joint

FORMULA = (
    "Sum of flexion minus sum of extension deficits of MCP, PIP and DIP (thumb: MCP and IP), all of one visit, one "
    "mode, one orthosis state, all joints of the digit moved together. A fused joint contributes 0. A digit that "
    "lacks a joint gets the sum of the joints it has. Hyperextension as in the arc of motion of each joint."
)
POSITION_NOTE = "position not recorded: whether the joints moved together is unknown (common practice, no source)"
_ALIKE = ("orthosis_state", "treatment")
Joints = Callable[[Site], tuple[Site, ...]]


def totals(
    metric: Metric,
    mode: str,
    measurements: Sequence[Measurement],
    states: Sequence[PartState],
    parameters: Parameters,
    joints: Joints | None = None,
) -> tuple[Result, ...]:
    """The total of each digit, for each visit and set of conditions in which one of its joints was read.

    `joints` names the joints of a digit that count, all of them unless told; a digit that it gives none is left out.
    """
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        if is_of_digit_joint(reading) and reading.answer("mode") == mode:
            site = reading.site
            if site not in (joints or joints_of)(site.on(site.part.digit)):
                continue
            key = (visit_of(reading), site.side, site.part.digit, *(reading.answer(n) for n in _ALIKE))
            groups.setdefault(key, []).append(reading)
    return tuple(_total(metric, group, states, parameters, joints or joints_of) for group in groups.values())


def joints_of(digit: Site) -> tuple[Site, ...]:
    """The joints whose motion makes the total of this digit."""
    names = ("mcp", "ip") if digit.key == "thumb" else ("mcp", "pip", "dip")
    return tuple(digit.on(key) for key in (f"{digit.key}-{name}" for name in names) if key in PARTS)


def ends_of(arc: Result) -> tuple[Decimal, Decimal]:
    """Flexion and extension deficit of an arc that has a value; both 0 at a fused joint."""
    ends = [end for reading in arc.inputs for end in [position(reading)] if end]
    flexion = max((amount for name, amount in ends if name == "flexion"), default=Decimal(0))
    extension = min((amount for name, amount in ends if name == "extension"), default=Decimal(0))
    return max(flexion, Decimal(0)), max(-extension, Decimal(0))


def is_whole(total: Result) -> bool:
    """Whether every joint of the digit was there and moved: what a norm of whole digits asks for."""
    return bool(total.parts) and all(part.inputs and not part.is_missing for part in total.parts)


def _total(
    metric: Metric,
    readings: Sequence[Measurement],
    states: Sequence[PartState],
    parameters: Parameters,
    joints_that_count: Joints,
) -> Result:
    first = min(readings, key=lambda m: m.circumstances.taken)
    digit = first.site.on(first.site.part.digit)
    joints = joints_that_count(digit)
    for how in ("together", UNKNOWN):
        moved = [r for r in readings if r.answer("together") == how]
        arcs = [arc_of(j, moved, first, states, parameters) for j in joints]
        if moved and all(not a.is_missing or _is_absent(a) for a in arcs):
            return _sum(metric, digit, arcs, how, first)
    arcs = [_best_arc(j, readings, first, states, parameters) for j in joints]
    return _result(metric, digit, _why_not(digit, arcs), arcs, "mixed", first, ())


def _sum(metric: Metric, digit: Site, arcs: Sequence[Result], position: str, first: Measurement) -> Result:
    there = [a for a in arcs if not a.is_missing]
    if not there:
        return _result(
            metric, digit, Missing("part-absent", f"No joint of the {digit.name} is there."), arcs, position, first, ()
        )
    notes = [POSITION_NOTE] if position == UNKNOWN else []
    if len(there) < len(arcs):
        names = ", ".join(a.site.part.joint.upper() for a in there)
        notes.append(f"sum of the remaining joints only ({names}): not the total of a whole digit")
    amount = sum((a.number for a in there if a.number is not None), Decimal(0))
    return _result(metric, digit, Quantity(amount, "deg"), arcs, position, first, notes)


def _result(
    metric: Metric,
    digit: Site,
    value: Quantity | Missing,
    arcs: Sequence[Result],
    position: str,
    first: Measurement,
    notes: Iterable[str],
) -> Result:
    joints = " ".join(a.site.part.joint for a in arcs if not _is_absent(a))
    conditions = {
        "mode": first.answer("mode"),
        **{name: first.answer(name) for name in _ALIKE},
        "together": position,
        "joints": joints,
    }
    return metric.result(
        digit,
        value,
        [m for a in arcs for m in a.inputs],
        conditions,
        at=first,
        parts=arcs,
        parameters=arcs[0].parameters,
        notes=[*notes, *(n for a in arcs for n in a.notes)],
    )


def _best_arc(
    joint: Site,
    readings: Sequence[Measurement],
    first: Measurement,
    states: Sequence[PartState],
    parameters: Parameters,
) -> Result:
    """The arc of a joint in whichever position it was read: shown beside a total that cannot be made."""
    positions = dict.fromkeys(["together", UNKNOWN, *(r.answer("together") for r in readings)])
    arcs = [
        arc_of(joint, [r for r in readings if r.answer("together") == p], first, states, parameters) for p in positions
    ]
    best = next((a for a in arcs if not a.is_missing), None)
    return best or max(arcs, key=lambda a: len(a.inputs))


def _is_absent(arc: Result) -> bool:
    return isinstance(arc.value, Missing) and arc.value.rule == "part-absent"


def _why_not(digit: Site, arcs: Sequence[Result]) -> Missing:
    faults = list(_faults(arcs))
    if faults:
        return replace(faults[0], reason=" ".join(f.reason for f in faults))
    how = "; ".join(f"{a.site.part.joint.upper()} {_position(a)}" for a in arcs if a.inputs)
    return Missing(
        "not-together", f"The joints of the {digit.name} were not all moved together ({how}): their sum has no meaning."
    )


def _faults(arcs: Sequence[Result]) -> Iterator[Missing]:
    for arc in arcs:
        if isinstance(arc.value, Missing) and not _is_absent(arc):
            yield arc.value


def _position(arc: Result) -> str:
    names = {UNKNOWN: "position not recorded"}
    return names.get(arc.conditions["together"], arc.conditions["together"])
