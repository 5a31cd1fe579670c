"""Review points: what makes one, what silences it, in which order, how many, and when it comes again."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from service.domain.anatomy import Site
from service.domain.change.answers import trending_of
from service.domain.change.comparable import Input
from service.domain.change.nerve_follow_up import follow_ups
from service.domain.change.patterns import patterns_of
from service.domain.change.phases import phases_of, worn_at
from service.domain.change.response import responses_of
from service.domain.change.review_points import MOST, RULES, Evidence, points_of, review
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.orthosis.design import Design
from service.domain.orthosis.episode import Check, Event
from service.domain.orthosis.history import life_of
from service.domain.precautions import Precaution

from . import test_words
from .conftest import SEM_4
from .test_nerve_follow_up import REPAIR, touch
from .test_patterns import IN_IT, seen
from .test_phases import FIRST, PIP, at, episode
from .test_response import DYNAMIC

TODAY = FIRST + timedelta(days=100)
FLEXION = Goal("make a fist", "patient", "flexion-active-free", PIP, Quantity(Decimal(90), "deg"))
GLOVE = Design("right", digits=("index",), removable="yes")


@pytest.fixture
def made(course):
    """Lines of one joint with the error of 4 degrees, by measure; readings bear the name of their line and place."""

    def make(values, days=None, measure="flexion-position", state="free", **more):
        more.setdefault("title", measure.replace("-", " ").capitalize())
        conditions = {"mode": "active", "orthosis_state": state}
        line = course(values, days, errors=[SEM_4], measure=measure, conditions=conditions, **more)
        points = tuple(replace(p, inputs=(Input(f"{measure}-{state}-{n}", "1"),)) for n, p in enumerate(line.points))
        return replace(line, key=(*line.key, measure, state), points=points, codes=("flexion-active-free",)
                       if measure == "flexion-position" and state == "free" else ())  # fmt: skip

    return make


def evidence(lines=(), *, goals=(), worn=(), readings=(), operations=(), today=TODAY):
    """All that points are made of; the lines of goals are those whose trend is looked at."""
    lines = list(lines)
    every = [phases_of(worn_at(line.site, worn), FIRST, today) for line in lines]
    trending = [
        trending_of(line, lines, phases, goals=goals) for line, phases in zip(lines, every, strict=True) if line.codes
    ]
    return Evidence(
        trajectories=[line for line in lines if line.conditions["orthosis_state"] != "in-orthosis"],
        goals=goals,
        trending=trending if goals else [],
        responses=responses_of(lines, worn, lambda line: phases_of(worn_at(line.site, worn), FIRST, today)),
        patterns=patterns_of(readings),
        nerves=follow_ups([], readings, operations, today),
        worn=worn,
        today=today,
    )


def rules(found):
    return [point.rule for point in found]


def flagged(name="cast", *, answered=False, **more):
    bare, _ = episode(name, 7, **more)
    check = Event("checked", at(8), check=Check({"colour": "pale"}, red_flag=True))
    answer = Event("answered", at(9), by_name="B. Invented", answers=3, note="seen")
    told = bare.with_events([check, answer] if answered else [check])
    return told, life_of(told)


def test_nothing_to_point_at() -> None:
    assert list(points_of(evidence())) == []
    found = review(evidence(), [])
    assert (found.points, found.quiet, found.under_precaution, found.beyond_number) == ((), 0, 0, 0)


def test_a_red_flag_without_an_answer(made) -> None:
    (point,) = points_of(evidence(worn=[flagged()]))
    assert (point.rule, point.site.code) == ("red-flag", "right-ring")
    assert "the check of 2026-03-10 is a red flag without an answer on record" in point.statement
    assert point.numbers == {"findings": {"colour": "pale"}}
    assert list(points_of(evidence(worn=[flagged(answered=True)]))) == []


def test_an_orthosis_worn_where_protective_sensation_was_lost() -> None:
    told = {"readings": [touch(10, "index-tip", "6.65"), touch(10, "thumb-tip", "6.65")], "operations": [REPAIR]}
    (point,) = points_of(evidence(worn=[episode("glove", 7, design=GLOVE)], **told))
    assert (point.rule, point.site.code) == ("protective-sensation", "right-index-tip")
    assert "felt 6.65 on 2026-03-12, which is deep pressure sensation only" in point.statement
    assert "pain is no warning" in point.caution
    assert list(points_of(evidence(worn=[episode("glove", 7, 20, design=GLOVE)], **told))) == []


def test_the_measure_of_a_goal_that_is_worse_beyond_error(made) -> None:
    (point,) = points_of(evidence([made([70, 58], [0, 70])], goals=[FLEXION]))
    assert point.rule == "headline-worse"
    for number in ("-12 deg", "2026-03-02", "11.1 deg"):
        assert number in point.statement
    assert list(points_of(evidence([made([70, 60], [0, 70])], goals=[FLEXION]))) == []


def test_a_gain_in_one_direction_with_a_loss_in_the_other(made) -> None:
    extension = made([-45, -20], [0, 70], "extension-position")
    (point,) = points_of(evidence([extension, made([95, 75], [0, 70])]))
    assert point.rule == "opposite-worse"
    assert "-20 deg" in point.statement
    assert "extension position: +25 deg" in point.statement


def test_single_losses_are_pointed_at_only_beyond_what_error_alone_would_show(made) -> None:
    """5% of 40 is 2: two worse of forty are what error alone would show, three are more."""

    def lines(worse):
        values = [[60, 30]] * worse + [[60, 60]] * (40 - worse)
        return [made(v, [0, 70], f"measure-{n}") for n, v in enumerate(values)]

    assert list(points_of(evidence(lines(2)))) == []
    (point,) = points_of(evidence(lines(3)))
    assert point.rule == "more-worse-than-error"
    assert point.statement.startswith("3 of 40 single readings of the right side are worse beyond error")
    assert "error alone would show up to 2: " in point.statement
    assert len(point.rests_on) == 6


def test_a_gain_in_the_orthosis_that_does_not_carry_over(made) -> None:
    lines = [made([40, 70], [14, 42], state="in-orthosis"), made([40, 42], [14, 43])]
    (point,) = points_of(evidence(lines, worn=[episode("splint", 14, design=DYNAMIC)]))
    assert point.rule == "does-not-carry-over"
    assert "+30 deg" in point.statement
    assert len(point.rests_on) == 4


def test_a_pattern_that_changes_in_the_orthosis_only() -> None:
    readings = [*IN_IT, seen(0, "dip-first", "free"), seen(22, "dip-first", "free")]
    (point,) = points_of(evidence(readings=readings))
    assert point.rule == "pattern-not-carried"
    assert len(point.rests_on) == 4


@pytest.mark.parametrize(
    ("values", "rule"),
    [([60, 60, 61, 60, 60, 61, 60, 60, 61, 60, 60, 60, 61], "plateau"), ([95 - 3 * n for n in range(13)], "losing")],
)
def test_where_the_measure_of_a_goal_stands(made, values, rule) -> None:
    found = {p.rule: p for p in points_of(evidence([made(values)], goals=[FLEXION]))}
    assert rule in found
    assert f": {rule}. " in found[rule].statement
    assert rule not in rules(points_of(evidence([made(values)])))


def test_the_day_of_a_goal_has_passed(made) -> None:
    due = replace(FLEXION, due=TODAY - timedelta(days=1))
    (point,) = points_of(evidence([made([60, 70], [0, 70])], goals=[due]))
    assert point.rule == "goal-day-passed"
    assert "its target is 90 deg, the last value 70 on 2026-05-11" in point.statement
    assert list(points_of(evidence([made([60, 95], [0, 70])], goals=[due]))) == []
    assert list(points_of(evidence([made([60, 70], [0, 70])], goals=[replace(due, due=TODAY)]))) == []


@pytest.fixture
def everything(made):
    """Evidence that makes a point by every rule but one: losing and plateau exclude one another."""
    falling = made([95 - 3 * n for n in range(13)])
    lines = [
        falling,
        made([-45, -20], [0, 70], "extension-position"),
        made([40, 70], [14, 42], "measure-a", "in-orthosis"),
        made([40, 42], [14, 43], "measure-a"),
        made([60, 30], [0, 70], "measure-b"),
        made([95, 60], [0, 70], "flexion-position", "out-of-orthosis"),
        made([-45, -10], [0, 70], "extension-position", "out-of-orthosis"),
    ]
    readings = [*IN_IT, seen(0, "dip-first", "free"), seen(22, "dip-first", "free"), touch(10, "index-tip", "6.65")]
    return evidence(
        lines,
        goals=[replace(FLEXION, due=date(2026, 5, 1))],
        worn=[flagged("splint", design=DYNAMIC), episode("glove", 7, design=GLOVE)],
        readings=readings,
        operations=[REPAIR],
    )


def test_safety_comes_first_and_no_more_than_so_many(everything) -> None:
    made = rules(review(everything, [], most=100).points)
    assert made == sorted(made, key=list(RULES).index)
    assert set(made) == set(RULES) - {"plateau"}
    found = review(everything, [])
    assert rules(found.points) == made[:MOST]
    assert found.beyond_number == len(made) - MOST
    assert rules(review(everything, [], most=1).points) == ["red-flag"]


def test_under_a_precaution_that_touches_the_part_there_is_none_but_the_red_flag(everything) -> None:
    """A precaution is no answer to a red flag; of all else at that part nothing is pointed at."""
    precaution = Precaution("no load", "Dr Example", date(2026, 3, 1), (Site("right", "hand"),))
    found = review(everything, [precaution], most=100)
    assert rules(found.points) == ["red-flag"]
    assert found.under_precaution == len(review(everything, [], most=100).points) - 1


def test_a_precaution_elsewhere_or_over_silences_nothing(everything) -> None:
    every = len(review(everything, [], most=100).points)
    for where, until in ((Site("left", "hand"), None), (Site("right", "hand"), TODAY - timedelta(days=1))):
        other = Precaution("no load", "Dr Example", date(2026, 3, 1), (where,), until)
        assert len(review(everything, [other], most=100).points) == every
    ring = Precaution("no load", "Dr Example", date(2026, 3, 1), (Site("right", "ring"),))
    assert rules(review(everything, [ring], most=100).points)[:2] == ["red-flag", "protective-sensation"]


def test_what_was_acknowledged_is_quiet_until_something_new(made) -> None:
    first = evidence([made([70, 58], [0, 70])], goals=[FLEXION])
    (point,) = review(first, []).points
    found = review(first, [], [point.mark])
    assert (found.points, found.quiet) == ((), 1)
    later = evidence([made([70, 58, 55], [0, 70, 80])], goals=[FLEXION])
    (again,) = review(later, [], [point.mark]).points
    assert again.mark != point.mark


def test_a_corrected_value_is_something_new_and_a_signature_is_not(made) -> None:
    line = made([70, 58], [0, 70])
    signed = replace(line, points=tuple(
        replace(p, inputs=tuple(replace(i, version="2") for i in p.inputs)) for p in line.points
    ))  # fmt: skip
    marks = [review(evidence([each], goals=[FLEXION]), []).points[0].mark for each in (line, signed)]
    assert marks[0] == marks[1]
    corrected = review(evidence([made([70, 57], [0, 70])], goals=[FLEXION]), []).points[0].mark
    assert corrected != marks[0]


def test_every_statement_has_its_numbers_and_a_caution_and_says_neither_cause_nor_command(everything, made) -> None:
    plateau = evidence([made([60, 60, 61] * 5)], goals=[FLEXION])
    points = [*review(everything, [], most=100).points, *review(plateau, []).points]
    assert {p.rule for p in points} == set(RULES)
    for point in points:
        assert re.search(r"\d", point.statement), point
        assert "they prescribe nothing" in point.caution
        for pattern in test_words.REFUSED.values():
            assert not re.search(pattern, f"{point.statement} {point.caution}", re.IGNORECASE), point
        assert not re.match(r"(?:[A-Z]?[a-z]+ )?(?:check|change|remove|measure|call|ask|look)\b", point.statement)
