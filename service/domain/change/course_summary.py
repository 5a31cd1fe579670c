"""A course in short: where each measure began, its best, its last and its goal, and how long the milestones took.

A best value is a value: the largest of many readings is large by chance as well, so no verdict rests on it. The rate of
this course stands beside that of the time before it; what made the difference is not told by either.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

from service.domain.change.answers import Aim, aims_of
from service.domain.change.comparable import Point, Trajectory
from service.domain.change.trend import Trend, trend_of
from service.domain.change.verdict import Change, change_of
from service.domain.course import Course
from service.domain.goals import Goal
from service.domain.metric import Missing
from service.domain.units import rounded


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time with the days on which anything was read; `a_week` is how many of those a week."""

    since: date | None
    until: date | None
    days: int
    visits: int
    a_week: Decimal | Missing


@dataclass(frozen=True, slots=True)
class Milestone:
    """Something to be reached: the first visit at which it was, and how many days after the first one of the course.

    `held` tells whether every later visit was there as well; None where none was later.
    """

    what: str
    value: Decimal | Missing
    reached: Point | Missing
    days: int | Missing
    held: bool | None


@dataclass(frozen=True, slots=True)
class LineSummary:
    """One measure within the course, and its rate a week then and in the time before."""

    trajectory: Trajectory
    baseline: Point
    best: Point | Missing
    last: Point
    change: Change
    aims: tuple[Aim, ...]
    milestones: tuple[Milestone, ...]
    rate: Trend
    rate_before: Trend


@dataclass(frozen=True, slots=True)
class CourseSummary:
    """A course of therapy in short; without one on record, all there is, as one stretch."""

    course: Course | Missing
    period: Period
    before: Period
    lines: tuple[LineSummary, ...]


def summary_of(
    trajectories: Sequence[Trajectory],
    every: Iterable[Trajectory],
    goals: Sequence[Goal],
    course: Course | None,
    today: date,
) -> CourseSummary:
    """The summary of the trajectories that have a value within the course; visits are counted over `every` one.

    The course counts up to the last visit in it: time that nobody came is no course of visits.
    """
    days = sorted({day for each in every for day in _days(each)})
    since = course.since if course else (days[0] if days else None)
    ended = min(course.until or today, today) if course else today
    until = max((day for day in days if (since is None or day >= since) and day <= ended), default=ended)
    kept = [(each, each.between(since, until)) for each in trajectories]
    no_course = Missing("no-course", "No course of therapy is on record: all readings are one stretch.")
    return CourseSummary(
        course=course or no_course,
        period=_period(days, since, until),
        before=_period(days, None, since - timedelta(days=1) if since else None),
        lines=tuple(_line(whole, part, since, goals) for whole, part in kept if part.points),
    )


def _days(line: Trajectory) -> Iterable[date]:
    """The days on which a measure was read, whether its value could be used or not; what was retracted was not read."""
    yield from (point.day for point in line.points)
    yield from (left.when.date() for left in line.left_out if left.because.rule != "retracted")


def _period(days: Sequence[date], since: date | None, until: date | None) -> Period:
    """A stretch that begins with the first day on record, where nothing else begins it."""
    own = [day for day in days if (since is None or day >= since) and (until is not None and day <= until)]
    begin = since or (own[0] if own else None)
    length = (until - begin).days + 1 if until and begin else 0
    if length < 7:
        reason = "Less than a week: visits a week cannot be told."
        return Period(begin, until, max(length, 0), len(own), Missing("too-short", reason))
    return Period(begin, until, length, len(own), rounded(Fraction(7 * len(own), length), 1))


def _line(whole: Trajectory, part: Trajectory, since: date | None, goals: Sequence[Goal]) -> LineSummary:
    aims = aims_of(part, goals)
    before = whole.between(None, since - timedelta(days=1)) if since else part.between(None, date.min)
    points = part.points
    return LineSummary(
        trajectory=part,
        baseline=points[0],
        best=_best(part),
        last=points[-1],
        change=change_of(part, points[0], points[-1]),
        aims=aims,
        milestones=(_beyond_error(part), *(_goal(part, aim) for aim in aims)),
        rate=trend_of(part),
        rate_before=trend_of(before),
    )


def _sign(line: Trajectory) -> int:
    """1 where more is better, -1 where less is, 0 where neither is."""
    return {"more": 1, "less": -1, "unstated": 0}[line.better]


def _best(line: Trajectory) -> Point | Missing:
    sign = _sign(line)
    if not sign:
        return Missing("no-better-side", "The measure has no better side.")
    return max(line.points, key=lambda p: sign * p.value)


def _beyond_error(line: Trajectory) -> Milestone:
    """The first visit at which the measure was improved beyond error."""
    what = "improved beyond error since the first visit of the course"
    changes = [change_of(line, line.points[0], p) for p in line.points[1:]]
    if not changes:
        why = Missing("one-visit", "There is a value of one visit only.")
    elif not _sign(line):
        why = Missing("no-better-side", "The measure has no better side.")
    elif all(c.verdict == "no-published-error" for c in changes):
        why = Missing("not-published", "No published error fits: whether a change is beyond error cannot be told.")
    else:
        why = Missing("not-reached", "At no visit so far.")
    return _milestone(line, what, why, [c.verdict == "improved" for c in changes], why)


def reaches(line: Trajectory, aim: Aim, point: Point) -> bool:
    """Whether a value is at or beyond the target of a goal; a position has its goals on the side of more motion.

    False where the measure has no better side, so that nobody can tell.
    """
    sign = side_of(line)
    return sign != 0 and sign * (point.value - aim.value) >= 0


def side_of(line: Trajectory) -> int:
    """On which side of its target a goal of this measure lies: 1 above, -1 below, 0 where nobody can tell."""
    return 1 if line.is_position else _sign(line)


def _goal(line: Trajectory, aim: Aim) -> Milestone:
    """The first visit at or beyond the target of a goal."""
    there = [reaches(line, aim, point) for point in line.points]
    if there[0]:
        return Milestone(aim.what, aim.value, line.points[0], 0, all(there[1:]) if there[1:] else None)
    if not side_of(line):
        why = Missing("no-better-side", "The measure has no better side: on which side its goal lies cannot be told.")
        return _milestone(line, aim.what, aim.value, there[1:], why)
    return _milestone(line, aim.what, aim.value, there[1:], Missing("not-reached", "At no visit so far."))


def _milestone(
    line: Trajectory, what: str, value: Decimal | Missing, there: Sequence[bool], otherwise: Missing
) -> Milestone:
    """What was reached at the visits after the first one; `there` tells it of each of them."""
    if not any(there):
        return Milestone(what, value, otherwise, otherwise, None)
    place = list(there).index(True)
    point, later = line.points[place + 1], there[place + 1 :]
    return Milestone(what, value, point, (point.day - line.points[0].day).days, all(later) if later else None)
