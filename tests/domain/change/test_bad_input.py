"""Whatever comes in: a stated absence or an answer, never a crash, never a number that is none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from math import isfinite
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.domain.anatomy import Site
from service.domain.change.answers import changes_of, phased_of, trending_of
from service.domain.change.comparable import Point, Trajectory, marked
from service.domain.change.phases import Worn, phases_of
from service.domain.change.plateau import WORTHWHILE, Ceiling, projection_of, standing_of
from service.domain.error import ERRORS
from service.domain.metric import Missing
from service.domain.result_json import plain
from service.fhir import text

FIRST = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
VALUES = st.one_of(
    st.integers(-60, 180).map(Decimal),
    st.sampled_from([Decimal(0), Decimal(45), Decimal("45.5"), Decimal("-0"), Decimal("1E+2")]),
)


@st.composite
def trajectories(draw: st.DrawFn) -> Trajectory:
    """Any course: few or many visits, minutes or years apart, constant or wild, by one examiner or by many."""
    minutes = sorted(draw(st.sets(st.integers(0, 60 * 24 * 900), max_size=14)))
    fixed = draw(st.one_of(st.none(), VALUES))
    points = tuple(
        Point(
            FIRST + timedelta(minutes=minute),
            f"visit-{n}",
            fixed if fixed is not None else draw(VALUES),
            {"performer": draw(st.sampled_from(["A", "A", "A", "B", "unknown"]))},
            day_only=draw(st.booleans()),
        )
        for n, minute in enumerate(minutes)
    )
    return Trajectory(
        key=("joint-motion", "x"),
        measure=draw(st.sampled_from(["flexion-position", "flexion-active-free"])),
        title="Flexion",
        site=Site("right", "ring-pip"),
        conditions={},
        unit="deg",
        better=draw(st.sampled_from(["more", "less", "unstated"])),
        points=marked(points),
        errors=draw(st.sampled_from([(), ERRORS["joint-motion"]])),
        scale=draw(st.sampled_from(["amount", "amount", "rank"])),
    )


@st.composite
def wearings(draw: st.DrawFn) -> list[Worn]:
    """Any orthoses, one over the other, ending on the day they began, or without an end."""
    found = []
    for n in range(draw(st.integers(0, 5))):
        since = FIRST.date() + timedelta(days=draw(st.integers(-10, 300)))
        length = draw(st.one_of(st.none(), st.integers(0, 90)))
        until = since + timedelta(days=length) if length is not None else None
        begun = draw(st.one_of(st.none(), st.just(datetime.combine(since, FIRST.time(), UTC))))
        found.append(Worn(f"e{n}", f"orthosis {n}", draw(st.sampled_from([None, Decimal(8)])), since, until, begun,
                          None, f"e{n}"))  # fmt: skip
    return found


def numbers(value: Any) -> Iterator[Any]:
    if isinstance(value, (Decimal, float, int)) and not isinstance(value, bool):
        yield value
    elif is_dataclass(value):
        for each in fields(value):
            yield from numbers(getattr(value, each.name))
    elif isinstance(value, dict):
        for each in value.values():
            yield from numbers(each)
    elif isinstance(value, (list, tuple)):
        for each in value:
            yield from numbers(each)


def reasons(value: Any) -> Iterator[Missing]:
    if isinstance(value, Missing):
        yield value
    elif is_dataclass(value):
        for each in fields(value):
            yield from reasons(getattr(value, each.name))
    elif isinstance(value, (dict, list, tuple)):
        for each in value.values() if isinstance(value, dict) else value:
            yield from reasons(each)


def check(answer: Any) -> None:
    assert all(isfinite(number) for number in numbers(answer))
    for missing in reasons(answer):
        assert missing.rule
        assert missing.reason.endswith(".")
    text.dump({"answer": plain(answer)})


@given(st.lists(trajectories(), max_size=3), st.sampled_from(["first-visit", "visit-before", "last-visit-before"]),
       st.integers(-10, 900))  # fmt: skip
def test_change_of_any_course(lines, rule, day) -> None:
    check(changes_of(lines, rule=rule, day=FIRST.date() + timedelta(days=day)))


@given(trajectories(), wearings(), st.one_of(st.none(), st.integers(-10, 900)))
def test_trend_of_any_course(line, worn, since) -> None:
    phases = phases_of(worn, FIRST.date(), FIRST.date() + timedelta(days=900))
    begin = FIRST.date() + timedelta(days=since) if since is not None else None
    found = trending_of(line, [line], phases, since=begin)
    check(found)
    allowed, plain_interval = found.whole.allowed, found.whole.interval
    if not isinstance(allowed, Missing) and not isinstance(plain_interval, Missing):
        assert allowed.low <= plain_interval.low <= plain_interval.high <= allowed.high
        assert allowed.low <= found.whole.slope <= allowed.high
    if found.standing.answer == "plateau":
        assert found.standing.trend.allowed.high < WORTHWHILE["joint-motion"].amount
        assert line.scale == "amount"
    check(projection_of(line, found.standing, Decimal(90), [Ceiling(Decimal(100), "a norm")]))


@given(trajectories(), wearings())
def test_phases_of_any_course(line, worn) -> None:
    first = min([FIRST.date(), *(w.since for w in worn)])
    phases = phases_of(worn, first, first + timedelta(days=1000))
    found = phased_of(line, phases, {}, first + timedelta(days=1000))
    check(found)
    assert sum(report.visits for report in found.phases) == len(line.points)
    for before, after in pairwise(phases):
        assert before.until == after.since
        assert before.label != after.label or before.worn != after.worn


TURNED = {"gaining": "losing", "losing": "gaining", "rising": "falling", "falling": "rising"}


@given(trajectories())
def test_turning_better_round_turns_the_answer_and_moving_all_values_changes_none(line) -> None:
    other = {"more": "less", "less": "more", "unstated": "unstated"}[line.better]
    found = standing_of(line, WORTHWHILE["joint-motion"])
    turned = standing_of(replace(line, better=other), WORTHWHILE["joint-motion"])
    moved = standing_of(_moved(line, 10), WORTHWHILE["joint-motion"])
    assert turned.answer == (found.answer if other == "unstated" else TURNED.get(found.answer, found.answer))
    assert moved.answer == found.answer
    if not isinstance(found.trend.slope, Missing):
        assert moved.trend.slope == found.trend.slope


def _moved(line: Trajectory, by: int) -> Trajectory:
    """Moved by a multiple of how finely it was read, so that rounding is the same."""
    return replace(line, points=tuple(replace(p, value=p.value + by) for p in line.points))
