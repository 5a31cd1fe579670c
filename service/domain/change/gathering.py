"""From readings and results of metrics to trajectories: one value a day, everything else left out with its reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from service.domain.anatomy import STATES, PartState, lacking
from service.domain.arcs import Direction, direction_of
from service.domain.change.comparable import Input, LeftOut, Point, Trajectory, marked
from service.domain.error import PublishedError, errors_of
from service.domain.field import REPEAT, UNKNOWN
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, Absent, Better, Coded, Measurement, Quantity
from service.domain.metric import Missing, Result, visit_of
from service.domain.metrics import METRICS
from service.domain.series import in_series, watched
from service.domain.units import UNITS, convert
from service.domain.values import score_of

WRONG = ("entered-in-error", "cancelled")
RANK = "{step}"
"""Stands where a unit would: steps of an ordered list have no unit of measure."""

BETTER: Mapping[str, Better] = {
    "arc-of-motion": "more",
    "total-active-motion": "more",
    "total-passive-motion": "more",
    "percent-of-reference": "more",
    "extension-deficit-sum": "less",
    "composite-flexion-gap": "less",
    "active-passive-difference": "less",
    "tip-travel": "more",
    "limb-arc": "more",
    "grip-summary": "more",
    "grip-ratio": "more",
    "pinch-summary": "more",
    "pinch-ratio": "more",
    "hand-volume-difference": "less",
    "nerve-outcome": "more",
}
"""The metrics that are followed over time, and the direction in which each improves: a rule of this record."""

Found = tuple[Point, str] | LeftOut
"""A point with the unit it was measured in, or why there is none."""


def trajectories(measurements: Iterable[Measurement], states: Iterable[PartState] = ()) -> tuple[Trajectory, ...]:
    """Every line of readings of one patient. Repeats of a reading, made to learn its error, are passed over.

    What was entered in error, is bounded or absent, or was read at a part that was then absent or fused is left out
    with the reason. A line without any number is kept, without points.
    """
    known, first = tuple(states), (m for m in measurements if m.answer(REPEAT.name) == UNKNOWN)
    lines = [_of_readings(key, line, known) for key, line in in_series(first).items()]
    return tuple(each for found in lines for each in found)


def trajectories_of(results: Iterable[Result]) -> tuple[Trajectory, ...]:
    """Every line of results of the metrics that are followed (`BETTER`), by metric, site and conditions."""
    lines: dict[tuple[str, ...], list[Result]] = {}
    for result in sorted(results, key=lambda r: r.taken):
        if result.metric in BETTER:
            key = (result.metric, result.site.code, *(f"{n}={a}" for n, a in sorted(result.conditions.items())))
            lines.setdefault(key, []).append(result)
    return tuple(each for key, line in lines.items() for each in _of_results(key, line))


@dataclass(frozen=True, slots=True)
class _Name:
    """What the points of a line are of."""

    measure: str
    title: str
    better: Better
    codes: tuple[str, ...]
    notes: tuple[str, ...] = ()


def _of_readings(
    key: tuple[str, ...], line: Sequence[Measurement], states: Sequence[PartState]
) -> Iterable[Trajectory]:
    kind, first = KINDS[line[0].kind], line[0]
    direction = _direction(first)
    ranked = any(isinstance(m.value, Coded) for m in line) and not any(isinstance(m.value, Quantity) for m in line)
    name = _position_name(direction, line) if direction and not ranked else _kind_name(line)
    found = [_point(m, direction, states) for m in line]
    conditions = {field: first.answer(field) for field in kind.series_key if field not in ("site", "direction")}
    conditions |= first.axes if not direction else {n: a for n, a in first.axes.items() if n != "motion"}
    for unit, points, left_out in _by_dimension(found):
        yield Trajectory(
            key=(*key, unit),
            measure=name.measure,
            title=name.title,
            site=first.site,
            conditions=conditions,
            unit=unit,
            better=name.better,
            points=points,
            errors=tuple(e for e in errors_of(kind.name, {**first.axes, **first.context}) if _alike(e.unit, unit)),
            left_out=left_out,
            codes=name.codes,
            scale="rank" if unit == RANK else "amount",
            notes=name.notes,
        )


def _direction(measurement: Measurement) -> Direction | None:
    part = measurement.site.part
    return direction_of(part.joint, measurement.answer("motion")) if part.kind == "joint" else None


def _position_name(direction: Direction, line: Sequence[Measurement]) -> _Name:
    title = f"{direction.name.replace('-', ' ').capitalize()} position"
    beyond = any(m.answer("motion") == "hyperextension" and m.number for m in line)
    note = ("beyond neutral: hyperextension has no better side of its own",) if beyond else ()
    return _Name(f"{direction.name}-position", title, "unstated" if beyond else "more", _codes(line), note)


def _kind_name(line: Sequence[Measurement]) -> _Name:
    kind, first = KINDS[line[0].kind], line[0]
    betters = {kind.better(m.axes) for m in line}
    better = betters.pop() if len(betters) == 1 else "unstated"
    return _Name(kind.code(first.axes), kind.display(first.axes), better, _codes(line))


def _codes(line: Sequence[Measurement]) -> tuple[str, ...]:
    return tuple(sorted({KINDS[m.kind].code(m.axes) for m in line}))


def _point(measurement: Measurement, direction: Direction | None, states: Sequence[PartState]) -> Found:
    where, visit = measurement.circumstances, visit_of(measurement)
    because = _unusable(measurement, states)
    if because:
        return LeftOut(where.taken, visit, because)
    number = score_of(KINDS[measurement.kind], measurement)
    if number is None:
        reason = "A category without an order has no amount."
        return LeftOut(where.taken, visit, Missing("category", reason))
    if isinstance(measurement.value, Quantity):
        number = direction.position(measurement.answer("motion"), number) if direction else number
        unit, code = measurement.value.unit, ""
    else:
        unit, code = RANK, measurement.value.code if isinstance(measurement.value, Coded) else ""
    around = {**watched(measurement), **_state_of(measurement, states)}
    inputs = (Input(where.id, where.version),)
    return Point(where.taken, visit, number, around, (), inputs, code, where.day_only), unit


def _unusable(measurement: Measurement, states: Sequence[PartState]) -> Missing | None:
    where, value = measurement.circumstances, measurement.value
    if where.status in WRONG:
        return Missing("retracted", f"The reading is marked {where.status.replace('-', ' ')}.")
    lack = lacking(states, measurement.site, where.taken.date())
    if lack:
        return Missing("part-absent", f"The {lack.site.name} was {lack.state} on that day.")
    if isinstance(value, Absent):
        return Missing("value-absent", f"No value: {ABSENT_REASONS[value.reason]}.")
    if isinstance(value, Quantity) and value.comparator:
        return Missing("value-bounded", "Recorded only as more or less than a number.")
    return None


def _state_of(measurement: Measurement, states: Sequence[PartState]) -> dict[str, str]:
    """The state of the part, where one other than present was ever written down: a replaced joint is another joint."""
    own = [s for s in states if s.site == measurement.site]
    if not own:
        return {}
    day = measurement.circumstances.taken.date()
    now = max((s for s in own if s.since <= day), key=lambda s: s.since, default=None)
    return {"state_of_part": STATES[now.state] if now else "present"}


def _of_results(key: tuple[str, ...], line: Sequence[Result]) -> Iterable[Trajectory]:
    first, metric = line[0], METRICS[line[0].metric]
    found = [_of_result(result) for result in line]
    for unit, points, left_out in _by_dimension(found):
        yield Trajectory(
            key=(*key, unit),
            measure=metric.name,
            title=metric.title,
            site=first.site,
            conditions=dict(first.conditions),
            unit=unit,
            better=BETTER[metric.name],
            points=points,
            errors=_distinct(e for r in line for e in r.errors if _alike(e.unit, unit)),
            left_out=left_out,
            is_metric=True,
        )


def _distinct(errors: Iterable[PublishedError]) -> tuple[PublishedError, ...]:
    found: list[PublishedError] = []
    for error in errors:
        if error not in found:
            found.append(error)
    return tuple(found)


def _of_result(result: Result) -> Found:
    value = result.value
    if not isinstance(value, Quantity):
        because = value if isinstance(value, Missing) else Missing("category", "A category has no amount.")
        return LeftOut(result.taken, result.visit, because)
    around: dict[str, dict[str, None]] = {}
    for reading in result.inputs:
        for name, answer in watched(reading).items():
            around.setdefault(name, {})[answer] = None
    told = {name: " and ".join(sorted(answers)) for name, answers in around.items()}
    inputs = tuple(Input(m.circumstances.id, m.circumstances.version) for m in result.inputs)
    day_only = any(m.circumstances.day_only for m in result.inputs)
    return Point(result.taken, result.visit, value.number, told, (), inputs, day_only=day_only), value.unit


def _alike(one: str, other: str) -> bool:
    return one == other or (one in UNITS and other in UNITS and UNITS[one].dimension == UNITS[other].dimension)


def _by_dimension(found: Sequence[Found]) -> Iterable[tuple[str, tuple[Point, ...], tuple[LeftOut, ...]]]:
    """The points of each dimension in the unit that came first; what was left out goes with the first dimension."""
    left_out = tuple(each for each in found if isinstance(each, LeftOut))
    lines: dict[str, list[Point]] = {}
    for each in found:
        if isinstance(each, LeftOut):
            continue
        point, unit = each
        target = next((known for known in lines if _alike(known, unit)), unit)
        value = point.value if target == unit else convert(point.value, unit, target)
        lines.setdefault(target, []).append(replace(point, value=value))
    for number, (unit, points) in enumerate(lines.items() if lines else [("", [])]):
        kept, twice = _one_a_day(points)
        others = left_out if number == 0 else ()
        yield unit, marked(kept), tuple(sorted((*others, *twice), key=lambda each: each.when))


def _one_a_day(points: Sequence[Point]) -> tuple[tuple[Point, ...], tuple[LeftOut, ...]]:
    """One point a day: of several visits the first. Two different values of one visit are none."""
    kept: list[Point] = []
    left: list[LeftOut] = []
    for _, group in groupby(points, key=lambda p: p.day):
        of_day = list(group)
        first = [p for p in of_day if p.visit == of_day[0].visit]
        if len({p.value for p in first}) > 1:
            reason = "Read more than once at this visit, with different values."
            left += [LeftOut(p.when, p.visit, Missing("read-twice", reason)) for p in first]
        elif not kept or kept[-1].when < first[0].when:
            kept.append(first[0])
        reason = "A second visit of the day: the first one stands."
        left += [LeftOut(p.when, p.visit, Missing("same-day", reason)) for p in of_day if p not in first]
    return tuple(kept), tuple(left)
