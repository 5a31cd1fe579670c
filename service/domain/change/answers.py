"""What is told of one patient: change, trend and phases of every measure, with the headline named beforehand.

The headline is the measure of a goal on record, else total active motion: never the largest of many changes. Both
directions of a joint stand together, since a gain in one can be a loss in the other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal

from service.domain.anatomy import Side
from service.domain.arcs import ARCS, direction_of
from service.domain.change.ceilings import ceilings_of
from service.domain.change.comparable import Trajectory
from service.domain.change.phase_report import Contrast, PhaseReport, report_of
from service.domain.change.phases import Phase, parted
from service.domain.change.plateau import (
    WORTHWHILE,
    Projection,
    Rate,
    Standing,
    projection_of,
    standing_of,
    worthwhile_of,
)
from service.domain.change.trend import Trend, trend_of
from service.domain.change.verdict import BASELINES, Change, Count, change_of, count, ends_of
from service.domain.goals import Goal, kind_of_code
from service.domain.metric import Missing
from service.domain.orthosis.dose import Wear
from service.domain.units import UNITS, convert

WINDOW = timedelta(weeks=6)
"""How far back "lately" goes where no orthosis parts the time: a rule of this record."""


@dataclass(frozen=True, slots=True)
class Aim:
    """A goal that is about a trajectory, and its target as a value of it."""

    what: str
    value: Decimal
    due: date | None
    id: str


@dataclass(frozen=True, slots=True)
class Opposite:
    """The other direction of the same joint: what became of it over the same time."""

    measure: str
    amount: Decimal | Missing
    words: str


@dataclass(frozen=True, slots=True)
class Changed:
    """One measure and its change."""

    trajectory: Trajectory
    change: Change
    opposite: Opposite | Missing
    aims: tuple[Aim, ...]


@dataclass(frozen=True, slots=True)
class ChangeAnswer:
    """Every change of one patient. `headline` are the places in `changes` of what `headline_rule` names."""

    baseline: str
    headline_rule: str
    headline: tuple[int, ...]
    changes: tuple[Changed, ...]
    count: Count
    not_used: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trending:
    """One measure: its trend over all visits, and where it stands by the visits of `window`."""

    trajectory: Trajectory
    whole: Trend
    window: str
    since: date | None
    standing: Standing
    aims: tuple[Aim, ...]
    projections: tuple[Projection | Missing, ...]


@dataclass(frozen=True, slots=True)
class Phased:
    """One measure through the phases of treatment."""

    trajectory: Trajectory
    phases: tuple[PhaseReport, ...]
    contrasts: tuple[Contrast, ...]


def aims_of(trajectory: Trajectory, goals: Iterable[Goal]) -> tuple[Aim, ...]:
    """The goals that are about a trajectory, each with its target in the trajectory's own terms."""
    found = ((goal, _target(trajectory, goal)) for goal in goals if _is_about(trajectory, goal))
    return tuple(Aim(goal.what, value, goal.due, goal.id) for goal, value in found if value is not None)


def _is_about(trajectory: Trajectory, goal: Goal) -> bool:
    if goal.site != trajectory.site:
        return False
    if goal.metric:
        return goal.metric == trajectory.measure and _under(goal, trajectory.conditions)
    if goal.activity and goal.activity.casefold() != trajectory.conditions.get("activity", "").casefold():
        return False
    return not trajectory.is_metric and (
        goal.code in trajectory.codes or (trajectory.is_position and _same_end(trajectory, goal.code))
    )


def _under(goal: Goal, conditions: Mapping[str, str]) -> bool:
    """Whether results of a metric are what a goal means: unless it says so, not those in an orthosis or just out."""
    free = conditions.get("orthosis_state") not in ("in-orthosis", "out-of-orthosis")
    return goal.conditions.items() <= conditions.items() and (free or "orthosis_state" in goal.conditions)


def _same_end(trajectory: Trajectory, code: str) -> bool:
    """Whether a code names the other name of the same end: a deficit, where only motion beyond neutral was read yet."""
    kind, axes = kind_of_code(code)
    if kind.name != trajectory.key[0] or any(
        trajectory.conditions.get(n) != a for n, a in axes.items() if n != "motion"
    ):
        return False
    direction = direction_of(trajectory.site.part.joint, axes.get("motion", ""))
    return direction is not None and f"{direction.name}-position" == trajectory.measure


def _target(trajectory: Trajectory, goal: Goal) -> Decimal | None:
    target = goal.target
    if target.unit != trajectory.unit:
        if target.unit not in UNITS or trajectory.unit not in UNITS:
            return None
        if UNITS[target.unit].dimension != UNITS[trajectory.unit].dimension:
            return None
    value = convert(target.number, target.unit, trajectory.unit)
    if not trajectory.is_position:
        return value
    motion = kind_of_code(goal.code)[1]["motion"]
    direction = direction_of(trajectory.site.part.joint, motion)
    return direction.position(motion, value) if direction else None


def changes_of(
    trajectories: Sequence[Trajectory],
    goals: Sequence[Goal] = (),
    *,
    rule: str = "first-visit",
    day: date | None = None,
    until: date | None = None,
    not_used: Mapping[str, int] | None = None,
) -> ChangeAnswer:
    """The change of every trajectory that has a value, between the two visits that a rule of `BASELINES` names."""
    kept = [each for each in trajectories if each.points]
    made = {each.key: change_of(each, *ends_of(each, rule, day, until)) for each in kept}
    changed = tuple(Changed(each, made[each.key], _opposite(each, kept, made), aims_of(each, goals)) for each in kept)
    named, headline = _headline(changed)
    words = BASELINES[rule] + (f" ({day.isoformat()})" if day and rule == "last-visit-before" else "")
    numbers = count([(c.trajectory, c.change) for c in changed])
    return ChangeAnswer(words, named, headline, changed, numbers, dict(not_used or {}))


def _headline(changed: Sequence[Changed]) -> tuple[str, tuple[int, ...]]:
    aimed = tuple(n for n, each in enumerate(changed) if each.aims)
    if aimed:
        return "the measures of the goals on record", aimed
    total = tuple(
        n
        for n, each in enumerate(changed)
        if each.trajectory.measure == "total-active-motion"
        and each.trajectory.conditions.get("orthosis_state") in ("free", "unknown")
    )
    return "total active motion of each digit, as no goal on record names a measure", total


def _opposite(
    trajectory: Trajectory, others: Iterable[Trajectory], made: Mapping[tuple[str, ...], Change]
) -> Opposite | Missing:
    if not trajectory.is_position:
        return Missing("not-a-direction", "The measure has no opposite direction.")
    name = trajectory.measure.removesuffix("-position")
    arcs = ARCS[trajectory.site.part.joint]
    across = {arc.first.name: arc.second.name for arc in arcs} | {arc.second.name: arc.first.name for arc in arcs}
    wanted = f"{across.get(name)}-position"
    for other in others:
        if (other.measure, other.site, other.conditions) == (wanted, trajectory.site, trajectory.conditions):
            change = made[other.key]
            return Opposite(wanted, change.amount, change.words)
    return Missing("opposite-not-measured", "The opposite direction was not measured under these conditions.")


def trending_of(
    trajectory: Trajectory,
    others: Sequence[Trajectory],
    phases: Sequence[Phase],
    *,
    goals: Sequence[Goal] = (),
    rates: Mapping[str, Rate] = WORTHWHILE,
    reference_for: frozenset[Side] = frozenset(),
    since: date | None = None,
) -> Trending:
    """The trend of one trajectory, and where it stands by its latest visits.

    `since` names the beginning of those; else they are the visits of the phase in force at the last visit, and where
    no orthosis parts the time those of the last six weeks.
    """
    window, begin = _window(trajectory, phases, since)
    recent = trajectory.between(begin)
    limits = ceilings_of(trajectory, others, reference_for)
    standing = standing_of(recent, worthwhile_of(trajectory, rates), limits, whole=trajectory)
    aims = aims_of(trajectory, goals)
    projections = tuple(projection_of(recent, standing, aim.value, limits) for aim in aims)
    return Trending(trajectory, trend_of(trajectory), window, begin, standing, aims, projections)


def _window(trajectory: Trajectory, phases: Sequence[Phase], since: date | None) -> tuple[str, date | None]:
    if since:
        return f"from {since.isoformat()} on", since
    if not trajectory.points:
        return "all visits", None
    if len(phases) > 1:
        parts = parted(trajectory, phases)
        number = max(n for n, part in enumerate(parts) if part.points)
        return f"the phase at the last visit: {phases[number].label}", parts[number].points[0].day
    return "the six weeks up to the last visit", trajectory.points[-1].day - WINDOW


def phased_of(
    trajectory: Trajectory, phases: Sequence[Phase], wear: Mapping[str, Iterable[Wear]], today: date
) -> Phased:
    """One trajectory through the phases of treatment."""
    return Phased(trajectory, *report_of(trajectory, phases, wear, today))
