"""How a goal stands: the reading or result it rests on, how far that is from the target, and the published error.

Where the distance to the target lies within the published error of the measure, whether it is reached cannot be told.
An end of an arc stands with the other end of the same visit, and a composite with its joints.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from service.domain.anatomy import PartState
from service.domain.arcs import ARCS, direction_of
from service.domain.error import PublishedError, errors_of
from service.domain.goals import Goal, kind_of_code, metric_of_goal
from service.domain.measurement import Measurement, MeasurementKind, Quantity
from service.domain.metric import Missing, Parameters, Result, visit_of
from service.domain.units import UNITS, convert
from service.domain.values import score_of

Reached = Literal["reached", "not-reached", "within-error", "several-results", "no-reading"]
_HELD = ("in-orthosis", "out-of-orthosis")


@dataclass(frozen=True, slots=True)
class Achievement:
    """How a goal stands.

    It rests on a `reading`, or on a `result` of the metric that the goal names. `other_end` holds the readings of the
    opposite end of the same arc at the same visit, empty where that was not measured. `missing` is what is still to
    be gained in the unit of the target, 0 or below where the target is reached. `error` is the largest published error
    used: a target that is nearer than this cannot be told from reached.
    """

    goal: Goal
    reached: Reached
    reading: Measurement | None = None
    missing: Quantity | None = None
    error: Quantity | None = None
    errors: tuple[PublishedError, ...] = ()
    note: str = ""
    result: Result | None = None
    other_end: tuple[Measurement, ...] = ()


def achievement_of(
    goal: Goal,
    measurements: Sequence[Measurement],
    states: Sequence[PartState] = (),
    parameters: Parameters | None = None,
) -> Achievement:
    """How a goal stands at the latest reading, or result, of its measure at its site that has a number."""
    used = [m for m in measurements if m.circumstances.status not in ("entered-in-error", "cancelled")]
    if goal.metric:
        return _by_metric(goal, used, states, parameters or Parameters())
    kind, _ = kind_of_code(goal.code)
    found = [m for m in used if _is_about(goal, kind, m) and score_of(kind, m) is not None]
    if not found:
        return Achievement(goal, "no-reading", note="There is no reading of this measure at this site.")
    last = max(found, key=lambda m: m.circumstances.taken)
    number = score_of(kind, last)
    assert number is not None  # noqa: S101 - only readings with a number or a rank are kept
    unit = last.value.unit if isinstance(last.value, Quantity) else goal.target.unit
    errors = errors_of(kind.name, {**last.axes, **last.context}, Quantity(number, unit))
    beside = tuple(_other_end(last, used))
    note = "" if beside or last.kind != "joint-motion" else "The other end of this arc was not measured at this visit."
    return _reached(goal, Quantity(number, unit), errors, Achievement(goal, "no-reading", last, other_end=beside), note)


def _is_about(goal: Goal, kind: MeasurementKind, measurement: Measurement) -> bool:
    return (
        measurement.kind == kind.name
        and kind.code(measurement.axes) == goal.code
        and measurement.site == goal.site
        and kind.ordinary(measurement)
        and (not goal.activity or measurement.answer("activity").casefold() == goal.activity.casefold())
    )


def _other_end(reading: Measurement, measurements: Iterable[Measurement]) -> Iterable[Measurement]:
    """The readings of the opposite direction, taken at the same visit in the same way."""
    joint = reading.site.part.joint
    here = direction_of(joint, reading.answer("motion")) if reading.kind == "joint-motion" else None
    arc = next((arc for arc in ARCS.get(joint, ()) if here in (arc.first, arc.second)), None)
    if arc is None:
        return
    across = arc.second if here == arc.first else arc.first
    alike = ("mode", "orthosis_state", "together", "treatment")
    for other in measurements:
        if (
            (other.kind, other.site, visit_of(other)) == (reading.kind, reading.site, visit_of(reading))
            and direction_of(joint, other.answer("motion")) == across
            and all(other.answer(name) == reading.answer(name) for name in alike)
        ):
            yield other


def _by_metric(
    goal: Goal, measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> Achievement:
    metric = metric_of_goal(goal.metric)
    ordered = sorted(measurements, key=lambda m: m.circumstances.taken)
    here = [r for r in metric.compute(ordered, states, parameters) if _fits(goal, r)]
    with_number = [r for r in here if r.number is not None]
    if not with_number:
        why = next((r.value.reason for r in reversed(here) if isinstance(r.value, Missing)), "")
        return Achievement(goal, "no-reading", note=why or "There is no result of this metric at this site.")
    latest = max(r.taken for r in with_number)
    last = [r for r in with_number if r.taken == latest]
    if len({r.value for r in last}) > 1:
        names = sorted({n for r in last for n in r.conditions if r.conditions[n] != last[0].conditions.get(n)})
        told = ", ".join(name.replace("_", " ") for name in names)
        return Achievement(goal, "several-results", note=f"The last visit has several results; they differ in: {told}.")
    value = last[0].value
    assert isinstance(value, Quantity)  # noqa: S101 - it has a number
    return _reached(goal, value, last[0].errors, Achievement(goal, "no-reading", result=last[0]))


def _fits(goal: Goal, result: Result) -> bool:
    """Whether a result is of this goal: its site and conditions, and unless the goal says so, not in an orthosis."""
    return (
        result.site == goal.site
        and all(result.conditions.get(name) == answer for name, answer in goal.conditions.items())
        and ("orthosis_state" in goal.conditions or result.conditions.get("orthosis_state") not in _HELD)
    )


def _reached(
    goal: Goal, value: Quantity, errors: Iterable[PublishedError], found: Achievement, note: str = ""
) -> Achievement:
    unit = goal.target.unit
    here = convert(value.number, value.unit, unit)
    missing = here - goal.target.number if goal.better == "less" else goal.target.number - here
    used = tuple(e for e in errors if e.status == "published" and UNITS[e.unit].dimension == UNITS[unit].dimension)
    largest = max((convert(e.high, e.unit, unit) for e in used), default=None)
    unsure = "" if used else "The error of this measure is not published: a small distance may be error."
    reached: Reached = "reached" if missing <= 0 else "not-reached"
    return Achievement(
        goal,
        "within-error" if largest is not None and abs(missing) < largest else reached,
        found.reading,
        Quantity(missing, unit),
        None if largest is None else Quantity(largest, unit),
        used,
        " ".join(each for each in (unsure, note) if each),
        found.result,
        found.other_end,
    )
