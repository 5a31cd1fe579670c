"""Arc of motion: how far one joint of a digit goes, from its extension end to its flexion end."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal

from service.domain.anatomy import STATES, PartState, Site, lacking
from service.domain.arcs import FINGER_ARC, direction_of
from service.domain.measurement import ABSENT_REASONS, Absent, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of

ALIKE = ("mode", "orthosis_state", "treatment", "together")
"""What the two ends of one arc must have in common, besides site and visit."""
_COUNTED_AS_DEFICIT = ("pip", "dip")

Found = tuple[Decimal, tuple[Measurement, ...]] | Missing


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each digit joint, visit and set of conditions under which an end of it was read."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        if is_of_digit_joint(reading):
            key = (visit_of(reading), reading.site.code, *(reading.answer(name) for name in ALIKE))
            groups.setdefault(key, []).append(reading)
    return tuple(arc_of(group[0].site, group, group[0], states, parameters) for group in groups.values())


def is_of_digit_joint(reading: Measurement) -> bool:
    """Whether it is an end of a digit joint's arc of flexion and extension."""
    return (
        reading.kind == "joint-motion"
        and bool(reading.site.part.digit)
        and direction_of(reading.site.part.joint, reading.answer("motion")) in (FINGER_ARC.first, FINGER_ARC.second)
    )


def arc_of(
    joint: Site,
    readings: Sequence[Measurement],
    at: Measurement,
    states: Sequence[PartState],
    parameters: Parameters,
) -> Result:
    """The arc of one joint from readings of one visit under one set of conditions; `at` is a reading of that visit."""
    own = [r for r in readings if r.site == joint]
    conditions = {name: (own[0] if own else at).answer(name) for name in ALIKE}
    policy = {"hyperextension": parameters.hyperextension}
    lack = lacking(states, joint, at.circumstances.taken.date())
    if lack:
        value, note = _of_lacking(joint, lack)
        return METRIC.result(joint, value, (), conditions, at=at, parameters=policy, notes=(note,))
    ends = [_end_of(joint, own, name) for name in ("flexion", "extension")]
    inputs = [m for end in ends if not isinstance(end, Missing) for m in end[1]]
    missing = next((end for end in ends if isinstance(end, Missing)), None)
    if missing:
        return METRIC.result(joint, missing, inputs, conditions, at=at, parameters=policy)
    flexion, extension = (end[0] for end in ends if not isinstance(end, Missing))
    amount, notes = _arc(joint, flexion, extension, parameters)
    notes = [*notes, *_state_notes(joint, states, at)]
    return METRIC.result(joint, Quantity(amount, "deg"), inputs, conditions, at=at, parameters=policy, notes=notes)


def _of_lacking(joint: Site, lack: PartState) -> tuple[Quantity | Missing, str]:
    if lack.state == "fused":
        at = f"at {lack.angle} degrees" if lack.angle is not None else "at an angle not recorded"
        return Quantity(Decimal(0), "deg"), f"{joint.name} fused {at}: contributes 0"
    level = f" at the level of the {lack.level.replace('-', ' ')}" if lack.level else ""
    reason = f"The {joint.name} is not there: {lack.site.name} absent{level}."
    return Missing("part-absent", reason), reason


def _end_of(joint: Site, readings: Iterable[Measurement], direction: str) -> Found:
    """The position where motion in one direction ends, with the readings that say so."""
    name = f"{direction.capitalize()} of the {joint.name}"
    found = [(r, d) for r in readings for d in [direction_of(joint.part.joint, r.answer("motion"))] if d]
    of_it = [(r, d) for r, d in found if d.name == direction]
    if not of_it:
        return Missing("not-measured", f"{name} was not measured.")
    numbers = [(d.position(r.answer("motion"), r.value.number), r) for r, d in of_it if isinstance(r.value, Quantity)]
    if not numbers:
        why = next(ABSENT_REASONS[r.value.reason] for r, _ in of_it if isinstance(r.value, Absent))
        return Missing("value-absent", f"{name} has no value: {why}.")
    if any(isinstance(r.value, Quantity) and r.value.comparator for _, r in numbers):
        return Missing("value-bounded", f"{name} is recorded only as more or less than a number.")
    # A deficit of 0 beside hyperextension is one end described twice.
    beyond_neutral = [n for n in numbers if n[0]] or numbers[:1]
    positions = {position for position, _ in beyond_neutral}
    if len(positions) > 1 or _read_twice(numbers):
        return Missing("read-twice", f"{name} was read more than once at this visit, with different values.")
    return beyond_neutral[0][0], tuple(r for _, r in numbers)


def _read_twice(numbers: Sequence[tuple[Decimal, Measurement]]) -> bool:
    """Whether one and the same end has two values."""
    seen: dict[str, Decimal] = {}
    return any(seen.setdefault(r.answer("motion"), position) != position for position, r in numbers)


def _arc(joint: Site, flexion: Decimal, extension: Decimal, parameters: Parameters) -> tuple[Decimal, list[str]]:
    deficit, hyperextension, notes = max(-extension, Decimal(0)), max(extension, Decimal(0)), []
    if hyperextension:
        counts = parameters.hyperextension == "deficit" and joint.part.joint in _COUNTED_AS_DEFICIT
        deficit += hyperextension if counts else 0
        notes.append(
            f"hyperextension of {hyperextension} degrees at the {joint.name} "
            + ("counted as a deficit" if counts else "not counted")
        )
    if flexion < 0:
        notes.append(f"flexion of the {joint.name} ends {-flexion} degrees short of neutral: flexion counts 0")
    return max(flexion, Decimal(0)) - deficit, notes


def _state_notes(joint: Site, states: Iterable[PartState], at: Measurement) -> Iterable[str]:
    day = at.circumstances.taken.date()
    current = {s.site: s.state for s in sorted(states, key=lambda s: s.since) if s.since <= day}
    for part in (joint, joint.on(joint.part.digit)):
        if current.get(part) in ("replaced", "replanted", "congenital-difference"):
            yield f"{part.name}: {STATES[current[part]]}"


METRIC = Metric(
    name="arc-of-motion",
    version=1,
    title="Arc of motion of a joint",
    unit="deg",
    formula=(
        "Flexion minus extension deficit of one joint, both ends of one visit, one mode and one orthosis state. "
        "Hyperextension counts nothing, or, by the policy 'deficit' (from memory), as a deficit at PIP and DIP joints."
    ),
    source=Source("ASSH Clinical Assessment Committee; Kleinert & Verdan, J Hand Surg Am 1983;8:794-798", "published"),
    rule=compute,
)
