"""Goals: what somebody wants to reach by when. Nothing here says that a goal is good, or what follows from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from service.domain.anatomy import Site
from service.domain.kinds import KINDS
from service.domain.measurement import Better, MeasurementKind, Quantity
from service.domain.metric import Metric
from service.domain.metrics import METRICS
from service.domain.units import UNITS, convert
from service.errors import Invalid, Issue


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal: a measure at a site, the target and the day by which it is wanted, and whose goal it is.

    What is measured is named by `code`, the code of a reading (`flexion-active-free`), or by `metric`, the name of a
    metric (`total-active-motion`), never by both; `conditions` are answers that a result of the metric must have where
    a site has several (`arc`, `mode`, `handle_position`). `activity` names the patient's own activity where that is
    rated from 0 to 10. `better` says on which side of the target the goal lies.
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
    metric: str = ""
    conditions: Mapping[str, str] = field(default_factory=dict)


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


def metric_of_goal(name: str) -> Metric:
    """The metric that a goal names. Raises `Invalid` for one that is none, or whose results are no numbers."""
    metric = METRICS.get(name)
    if metric is None or metric.values:
        numbers = [each.name for each in METRICS.values() if not each.values]
        message = f"'{name}' is not a metric that gives a number."
        raise Invalid(Issue("value", message, "metric", name, "known-metric", "one of " + ", ".join(numbers)))
    return metric


def require_lawful_goal(goal: Goal) -> None:
    """Raises `Invalid` for a goal whose measure is none or is not taken there, whose unit or target cannot be."""
    if bool(goal.code) == bool(goal.metric):
        message = "A goal names the code of a reading or a metric, one of the two."
        raise Invalid(Issue("required", message, "code", goal.code, "one-measure", "a code or a metric"))
    issues = [*(_of_metric(goal) if goal.metric else _of_reading(goal))]
    if goal.target.number < 0:
        value = str(goal.target.number)
        issues.append(Issue("value", "A target is 0 or more.", "target.value", value, "not-negative", "0 or more"))
    if goal.due and goal.since and goal.due < goal.since:
        message = "The goal is due before it was set."
        issues.append(Issue("value", message, "due", goal.due.isoformat(), "order-of-days", "a later day"))
    if goal.better == "unstated":
        message = "This measure has no better side of its own: the goal must say whether more or less is wanted."
        issues.append(Issue("required", message, "better", "", "better", "more or less"))
    if issues:
        raise Invalid(*issues)


def _of_metric(goal: Goal) -> Iterator[Issue]:
    """A metric without a unit keeps that of its readings, which are forces."""
    metric, unit = metric_of_goal(goal.metric), goal.target.unit
    dimension = UNITS[metric.unit].dimension if metric.unit else "force"
    if unit not in UNITS or UNITS[unit].dimension != dimension:
        able = [code for code, each in UNITS.items() if each.dimension == dimension]
        message = f"{metric.title} is not given in this unit."
        yield Issue("value", message, "target.unit", unit, "unit-of-metric", "one of " + ", ".join(able))
    if goal.activity:
        message = "An activity is rated, not computed."
        yield Issue("value", message, "activity", goal.activity, "activity-of-rating", "no activity")


def _of_reading(goal: Goal) -> Iterator[Issue]:
    kind, axes = kind_of_code(goal.code)
    if goal.site not in kind.places or not kind.placed(goal.site, axes):
        message = f"{kind.display(axes)} is not measured at the {goal.site.name}."
        yield Issue("value", message, "site", goal.site.code, "site-of-kind", "a site of this measure")
    if goal.conditions:
        message = "Only a metric has conditions: the code of a reading says them all."
        yield Issue("value", message, "conditions", ", ".join(goal.conditions), "conditions-of-metric", "none")
    units = kind.units or ("{score}",)
    if goal.target.unit not in units:
        expected = "one of " + ", ".join(units)
        yield Issue(
            "value", f"{kind.title} is not measured in this unit.", "target.unit", goal.target.unit, "unit-of-kind",
            expected,
        )  # fmt: skip
    else:
        yield from _beyond(goal, kind, axes)


def _beyond(goal: Goal, kind: MeasurementKind, axes: Mapping[str, str]) -> Iterable[Issue]:
    limits, target = kind.bounds(goal.site, axes), goal.target
    if limits is None or UNITS[limits.unit].dimension != UNITS[target.unit].dimension:
        return
    if convert(target.number, target.unit, limits.unit) > limits.hard:
        expected = f"at most {limits.hard} {limits.unit} ({limits.source})"
        message = "The target cannot be reached."
        yield Issue("value", message, "target.value", str(target.number), "hard-bound", expected)
