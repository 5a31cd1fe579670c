"""Goals: what somebody wants to reach by when, and how far a reading is from it, error included.

Nothing here says that a goal is good, or what should be done about it. Where the distance to the target lies within
the published error of the measure, whether it is reached cannot be told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from service.domain.anatomy import Site
from service.domain.error import PublishedError, errors_of
from service.domain.kinds import KINDS
from service.domain.measurement import Better, Measurement, MeasurementKind, Quantity
from service.domain.units import UNITS, convert
from service.domain.values import score_of
from service.errors import Invalid, Issue

Reached = Literal["reached", "not-reached", "within-error", "no-reading"]


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal: a measure at a site, the target and the day by which it is wanted, and whose goal it is.

    `code` is what is measured, as the code of a reading (`flexion-active-free`). `activity` names the patient's own
    activity where that is rated from 0 to 10. `better` says on which side of the target the goal lies.
    """

    what: str
    whose: Literal["patient", "clinician"]
    code: str
    site: Site
    target: Quantity
    due: date | None = None
    since: date | None = None
    better: Better = "more"
    activity: str = ""
    id: str = ""


@dataclass(frozen=True, slots=True)
class Achievement:
    """How a goal stands: the reading it rests on, how much is missing, and the errors that were published.

    `missing` is what is still to be gained in the unit of the target, 0 or below where the target is reached. `error`
    is the largest published error used: a target that is nearer than this cannot be told from reached.
    """

    goal: Goal
    reached: Reached
    reading: Measurement | None = None
    missing: Quantity | None = None
    error: Quantity | None = None
    errors: tuple[PublishedError, ...] = ()
    note: str = ""


def kind_of_code(code: str) -> tuple[MeasurementKind, Mapping[str, str]]:
    """The kind that a code of a reading belongs to, and the answers it stands for. Raises `Invalid`."""
    for kind in KINDS.values():
        if code in kind.concepts:
            return kind, kind.concepts[code][1]
    expected = "the code of a reading, such as flexion-active-free"
    raise Invalid(Issue("value", f"'{code}' is not what a reading measures.", "code", code, "known-code", expected))


def better_of(code: str) -> Better:
    """The direction in which a measure improves, as its kind declares it."""
    kind, axes = kind_of_code(code)
    return kind.better(axes)


def achievement_of(goal: Goal, measurements: Iterable[Measurement]) -> Achievement:
    """How a goal stands at the latest reading of its measure at its site that has a number."""
    kind, _ = kind_of_code(goal.code)
    found = [m for m in measurements if _is_about(goal, kind, m) and score_of(kind, m) is not None]
    if not found:
        return Achievement(goal, "no-reading", note="There is no reading of this measure at this site.")
    last = max(found, key=lambda m: m.circumstances.taken)
    missing = _missing(goal, kind, last)
    errors = tuple(e for e in errors_of(kind.name, {**last.axes, **last.context}) if _fits(e, goal))
    largest = max((convert(e.high, e.unit, goal.target.unit) for e in errors), default=None)
    note = "" if errors else "The error of this measure is not published: a small distance may be error."
    error = None if largest is None else Quantity(largest, goal.target.unit)
    return Achievement(goal, _reached(missing, largest), last, Quantity(missing, goal.target.unit), error, errors, note)


def _is_about(goal: Goal, kind: MeasurementKind, measurement: Measurement) -> bool:
    return (
        measurement.kind == kind.name
        and kind.code(measurement.axes) == goal.code
        and measurement.site == goal.site
        and measurement.circumstances.status not in ("entered-in-error", "cancelled")
        and (not goal.activity or measurement.answer("activity").casefold() == goal.activity.casefold())
    )


def _missing(goal: Goal, kind: MeasurementKind, last: Measurement) -> Decimal:
    number = score_of(kind, last)
    assert number is not None  # noqa: S101 - only readings with a number or a rank are kept
    unit = last.value.unit if isinstance(last.value, Quantity) else goal.target.unit
    here = convert(number, unit, goal.target.unit)
    return here - goal.target.number if goal.better == "less" else goal.target.number - here


def _fits(error: PublishedError, goal: Goal) -> bool:
    return error.status == "published" and UNITS[error.unit].dimension == UNITS[goal.target.unit].dimension


def _reached(missing: Decimal, error: Decimal | None) -> Reached:
    if error is not None and abs(missing) < error:
        return "within-error"
    return "reached" if missing <= 0 else "not-reached"


def require_lawful_goal(goal: Goal) -> None:
    """Raises `Invalid` for a goal whose measure is none or is not taken there, whose unit or target cannot be."""
    kind, axes = kind_of_code(goal.code)
    issues = []
    if goal.site not in kind.places or not kind.placed(goal.site, axes):
        message = f"{kind.display(axes)} is not measured at the {goal.site.name}."
        issues.append(Issue("value", message, "site", goal.site.code, "site-of-kind", "a site of this measure"))
    units = kind.units or ("{score}",)
    if goal.target.unit not in units:
        expected = "one of " + ", ".join(units)
        message = f"{kind.title} is not measured in this unit."
        issues.append(Issue("value", message, "target.unit", goal.target.unit, "unit-of-kind", expected))
    else:
        issues += _beyond(goal, kind, axes)
    if goal.due and goal.since and goal.due < goal.since:
        message = "The goal is due before it was set."
        issues.append(Issue("value", message, "due", goal.due.isoformat(), "order-of-days", "a later day"))
    if goal.better == "unstated":
        message = "This measure has no better side of its own: the goal must say whether more or less is wanted."
        issues.append(Issue("required", message, "better", "", "better", "more or less"))
    if issues:
        raise Invalid(*issues)


def _beyond(goal: Goal, kind: MeasurementKind, axes: Mapping[str, str]) -> Iterable[Issue]:
    limits, target = kind.bounds(goal.site, axes), goal.target
    if target.number < 0:
        yield Issue("value", "A target is 0 or more.", "target.value", str(target.number), "not-negative", "0 or more")
    if limits is None or UNITS[limits.unit].dimension != UNITS[target.unit].dimension:
        return
    if convert(target.number, target.unit, limits.unit) > limits.hard:
        expected = f"at most {limits.hard} {limits.unit} ({limits.source})"
        message = "The target cannot be reached."
        yield Issue("value", message, "target.value", str(target.number), "hard-bound", expected)
