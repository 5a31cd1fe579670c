"""What happened during each phase, and what differs from one to the next: never why.

Every sentence says "during". An interval here supposes that errors of neighbouring visits have nothing to do with each
other; where they have, it is too narrow, and the notes say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from fractions import Fraction
from statistics import median
from typing import Any

from service.domain.change.comparable import Point, Trajectory, weeks_between
from service.domain.change.phases import Dose, Phase, began_at_extreme, doses_of, neighbours, parted
from service.domain.change.segmented import Coefficient, segmented
from service.domain.change.single_case import indices
from service.domain.change.trend import Interval, Trend, trend_of
from service.domain.change.verdict import Change, change_of
from service.domain.metric import Missing
from service.domain.orthosis.dose import Wear
from service.domain.units import rounded

SERIAL = (
    "intervals suppose that errors of neighbouring visits have nothing to do with each other; where they have, "
    "intervals are too narrow"
)
_EXACT = 1e-9


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its interval at 95%, or why it has none."""

    value: Decimal | Missing
    interval: Interval | Missing


@dataclass(frozen=True, slots=True)
class PhaseReport:
    """One phase. `level` is the median of its values; `change` runs from the last visit before it to its last one."""

    label: str
    since: date
    until: date | None
    days: int
    visits: int
    level: Decimal | Missing
    trend: Trend
    change: Change
    dose: tuple[Dose, ...]
    sentence: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Contrast:
    """From one phase to the next: change of level at its beginning, of slope a week, and indices of non-overlap."""

    earlier: str
    later: str
    level_change: Estimate
    slope_change: Estimate
    indices: tuple[Mapping[str, Any], ...]
    notes: tuple[str, ...] = ()


def report_of(
    trajectory: Trajectory, phases: Sequence[Phase], wear: Mapping[str, Iterable[Wear]], today: date
) -> tuple[tuple[PhaseReport, ...], tuple[Contrast, ...]]:
    """Each phase in order, and each pair of phases with visits that follow one another."""
    parts = parted(trajectory, phases)
    hours = {episode: list(given) for episode, given in wear.items()}
    reports = [_report(n, parts, phases, hours, today) for n in range(len(parts))]
    contrasts = [_contrast(parts[a], parts[b], phases[a : b + 1]) for a, b in neighbours(parts)]
    return tuple(reports), tuple(contrasts)


def _report(
    number: int,
    parts: Sequence[Trajectory],
    phases: Sequence[Phase],
    wear: Mapping[str, Iterable[Wear]],
    today: date,
) -> PhaseReport:
    part, phase = parts[number], phases[number]
    before = next((p for p in reversed(parts[:number]) if p.points), None)
    change = change_of(part, *_ends(part, before))
    days = phase.days(today)
    none = Missing("no-visit", "There is no visit with a value in this phase.")
    extreme = began_at_extreme(before) if before else ""
    return PhaseReport(
        label=phase.label,
        since=phase.since,
        until=phase.until,
        days=days,
        visits=len(part.points),
        level=_rounded(median(part.values)) if part.points else none,
        trend=trend_of(part),
        change=change,
        dose=doses_of(phase, wear, today),
        sentence=_sentence(part, phase, days, change),
        notes=(extreme,) if extreme and part.points else (),
    )


def _ends(part: Trajectory, before: Trajectory | None) -> tuple[Point | Missing, Point | Missing]:
    if not part.points:
        none = Missing("no-visit", "There is no visit with a value in this phase.")
        return none, none
    return (before.points[-1] if before else part.points[0]), part.points[-1]


def _sentence(part: Trajectory, phase: Phase, days: int, change: Change) -> str:
    during = f"During {phase.label} ({_many(days, 'day')}, {_many(len(part.points), 'visit')})"
    what = part.title[:1].lower() + part.title[1:]
    if isinstance(change.amount, Missing):
        return f"{during}, how {what} of the {part.site.name} changed cannot be told: {change.amount.reason}"
    moved = f"changed by {change.amount:+f} {part.unit}" if change.amount else "did not change"
    return f"{during}, {what} of the {part.site.name} {moved} in {_many(change.days, 'day')}: {change.words}."


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _contrast(before: Trajectory, after: Trajectory, phases: Sequence[Phase]) -> Contrast:
    earlier, *between, later = phases
    points = (*before.points, *after.points)
    times = [weeks_between(points[0].when, p.when) for p in points]
    begun = weeks_between(points[0].when, later.begun or datetime.combine(later.since, time(), points[0].when.tzinfo))
    level, slope = _steps(before, [*before.values, *after.values], times, begun)
    ratio = not before.is_position and before.scale == "amount"
    found = indices(before.values, after.values, before.better, times, ratio=ratio)
    told = tuple(index.told() for index in found)
    return Contrast(earlier.label, later.label, level, slope, told, tuple(_notes(before, after, between)))


def _steps(
    before: Trajectory, values: Sequence[float], times: Sequence[float], begun: float
) -> tuple[Estimate, Estimate]:
    if before.scale == "rank":
        why = Missing("ranks", "Steps of an ordered list have an order and no distance: they have no level or slope.")
        return Estimate(why, why), Estimate(why, why)
    fit = segmented(times, values, begun, len(before.points))
    if isinstance(fit, Missing):
        return Estimate(fit, fit), Estimate(fit, fit)
    return _estimate(fit.level_change), _estimate(fit.slope_change)


def _estimate(found: Coefficient) -> Estimate:
    if found.error < _EXACT:
        why = Missing("no-spread", "All values lie on two straight lines: there is no spread to make an interval of.")
        return Estimate(_rounded(found.value), why)
    return Estimate(_rounded(found.value), Interval(_rounded(found.low), _rounded(found.high)))


def _rounded(number: float) -> Decimal:
    return rounded(Fraction(number), 4)


def _notes(before: Trajectory, after: Trajectory, between: Iterable[Phase]) -> Iterable[str]:
    yield SERIAL
    passed = ", ".join(phase.label for phase in between)
    if passed:
        yield f"between the two lie phases without a visit that has the measure: {passed}"
    if {p.stratum for p in before.points} != {p.stratum for p in after.points}:
        yield "examiner, instrument or method are not the same in both phases: a difference may be one between those"
