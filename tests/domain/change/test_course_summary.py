"""A course in short: baseline, best, last, goal, milestones, visits a week, and its rate beside the time before."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from service.domain.anatomy import Site
from service.domain.change.comparable import LeftOut
from service.domain.change.course_summary import reaches, summary_of
from service.domain.course import Course
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.metric import Missing

from .conftest import FIRST, SEM_4

SINCE = date(2026, 3, 30)
COURSE = Course("Patient/made-up", SINCE, ("right",))
GOAL = Goal("make a fist", "patient", "flexion-active-free", Site("right", "ring-pip"), Quantity(Decimal(80), "deg"))
BEFORE = ([50, 51, 50], [0, 7, 14])
COURSE_OF = ([52, 60, 66, 82, 78, 84], [28, 35, 42, 49, 56, 63])
TODAY = date(2026, 5, 10)


def told(line, *, course=COURSE, goals=(), today=TODAY, every=None):
    return summary_of([line], every or [line], goals, course, today)


def both(course, **more):
    values, days = [*BEFORE[0], *COURSE_OF[0]], [*BEFORE[1], *COURSE_OF[1]]
    return course(values, days, errors=[SEM_4], codes=("flexion-active-free",), **more)


def test_baseline_best_last_and_goal_are_of_the_course(course) -> None:
    (found,) = told(both(course), goals=[GOAL]).lines
    assert (found.baseline.value, found.best.value, found.last.value) == (52, 84, 84)
    assert found.change.amount == 32
    assert found.aims[0].value == 80


def test_milestones_take_days_and_say_whether_they_held(course) -> None:
    """Beyond error (11.1 degrees with SEM 4) first at 66, 14 days on; the goal of 80 at 82, and lost once after."""
    (found,) = told(both(course), goals=[GOAL]).lines
    beyond, goal = found.milestones
    assert (beyond.reached.value, beyond.days, beyond.held) == (66, 14, True)
    assert (goal.what, goal.value, goal.days, goal.held) == ("make a fist", 80, 21, False)
    (far,) = told(both(course), goals=[replace(GOAL, target=Quantity(Decimal(95), "deg"))]).lines
    assert far.milestones[1].reached.rule == far.milestones[1].days.rule == "not-reached"


def test_a_goal_that_was_reached_at_the_first_visit_took_no_day(course) -> None:
    (found,) = told(both(course), goals=[replace(GOAL, target=Quantity(Decimal(45), "deg"))]).lines
    assert (found.milestones[1].days, found.milestones[1].held) == (0, True)


def test_the_rate_of_the_course_stands_beside_the_time_before(course) -> None:
    found = told(both(course))
    assert found.lines[0].rate_before.visits == 3
    assert found.lines[0].rate_before.slope == 0
    assert found.lines[0].rate.slope > 5
    assert (found.period.visits, found.period.days, found.before.visits) == (6, 36, 3)
    assert found.period.a_week == Decimal("1.2")
    assert found.period.until == date(2026, 5, 4), "the last visit; the course is still open"
    assert (found.before.since, found.before.until) == (FIRST.date(), SINCE - timedelta(days=1))


def test_visits_are_days_with_any_reading(course) -> None:
    other = course([1, 1, 1], [29, 36, 63])
    unused = LeftOut(FIRST + timedelta(days=30), "x", Missing("category", "none"))
    gone = LeftOut(FIRST + timedelta(days=31), "x", Missing("retracted", "none"))
    found = told(both(course), every=[both(course), replace(other, left_out=(unused, gone))])
    assert found.period.visits == 9


def test_where_less_is_better_the_best_is_the_least_and_elsewhere_there_is_none(course) -> None:
    (found,) = told(both(course, better="less", measure="pain")).lines
    assert found.best.value == 52
    (found,) = told(both(course, better="unstated", measure="x")).lines
    assert found.best.rule == "no-better-side"
    assert found.milestones[0].reached.rule == "no-better-side"


def test_a_goal_of_a_measure_without_a_better_side_cannot_be_told(course) -> None:
    line = both(course, better="unstated", measure="flexion-active-free")
    (found,) = told(line, goals=[GOAL]).lines
    assert found.milestones[1].reached.rule == "no-better-side"
    assert not reaches(line, found.aims[0], found.last)


def test_without_a_course_all_is_one_stretch_and_an_ended_one_ends(course) -> None:
    found = told(both(course), course=None)
    assert found.course.rule == "no-course"
    assert (found.period.visits, found.before.visits) == (9, 0)
    assert found.lines[0].rate_before.slope.rule == "all-missing"
    ended = told(both(course), course=replace(COURSE, until=date(2026, 4, 13)))
    assert [line.last.value for line in ended.lines] == [66]
    assert ended.period.until == date(2026, 4, 13)


def test_little_on_record_is_told_as_little(course) -> None:
    (found,) = told(course([50], [30], errors=[SEM_4])).lines
    assert found.milestones[0].reached.rule == "one-visit"
    (found,) = told(course([50, 90], [30, 40], errors=())).lines
    assert found.milestones[0].reached.rule == "not-published"
    assert told(course([50], [0])).lines == ()
    new = told(course([50], [30]))
    assert new.period.a_week.rule == "too-short"
    assert summary_of([], [], [], None, TODAY).period.visits == 0
