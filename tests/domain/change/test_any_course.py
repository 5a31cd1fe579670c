"""Whatever was read on whatever days, in whatever orthosis: an answer or its absence, and numbers that agree."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.change.course_summary import summary_of
from service.domain.change.phases import phases_of, worn_at
from service.domain.change.response import responses_of
from service.domain.change.review_points import Evidence, review
from service.domain.course import Course
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.metric import Missing
from service.domain.result_json import plain
from service.fhir import text

from .conftest import SEM_4, made
from .test_phases import FIRST, PIP, RING, episode
from .test_response import DYNAMIC

STATES = ("free", "in-orthosis", "out-of-orthosis", "unknown")
DAYS = st.lists(st.integers(0, 120), unique=True, max_size=8).map(sorted)
GOAL = Goal("a goal", "patient", "flexion-active-free", PIP, Quantity(Decimal(70), "deg"), due=FIRST)
TODAY = FIRST + timedelta(days=130)


@st.composite
def lines(draw):
    found = []
    for state in draw(st.sets(st.sampled_from(STATES))):
        days = draw(DAYS)
        values = [draw(st.integers(-60, 110)) for _ in days]
        who = [draw(st.sampled_from(["A", "B", "unknown"])) for _ in days]
        found.append(made(
            values, days, who=who, errors=draw(st.sampled_from([(SEM_4,), ()])),
            key=("joint-motion", state), conditions={"mode": "active", "orthosis_state": state},
            better=draw(st.sampled_from(["more", "less", "unstated"])), codes=("flexion-active-free",),
        ))  # fmt: skip
    return found


@st.composite
def orthoses(draw):
    found = []
    for n in range(draw(st.integers(0, 3))):
        start = draw(st.integers(0, 110))
        end = draw(st.none() | st.integers(start, 125))
        found.append(episode(f"orthosis {n}", start, end, design=draw(st.sampled_from([RING, DYNAMIC]))))
    return found


@pytest.mark.parametrize("since", [None, 40])
@settings(max_examples=150, deadline=None)
@given(lines=lines(), worn=orthoses())
def test_any_course_has_an_answer(since, lines, worn) -> None:
    course = Course("Patient/made-up", FIRST + timedelta(days=since), ("right",)) if since else None

    def told(line):
        return phases_of(worn_at(line.site, worn), FIRST, TODAY)

    responses = responses_of(lines, worn, told)
    for response in responses:
        for carry in response.carry_over:
            assert isinstance(carry.share, Missing) == isinstance(carry.interval, Missing)
            if not isinstance(carry.interval, Missing):
                assert carry.interval.low <= carry.share <= carry.interval.high
            assert carry.finding == "cannot-be-told" or not isinstance(carry.share, Missing)
    short = summary_of(lines, lines, [GOAL], course, TODAY)
    for line in short.lines:
        assert all(m.days >= 0 for m in line.milestones if not isinstance(m.days, Missing))
    found = review(Evidence(lines, [GOAL], [], responses, (), (), worn, TODAY), [])
    assert len({p.mark for p in found.points}) == len(found.points) <= 5
    text.dump({"told": plain([*responses, short, found])})
