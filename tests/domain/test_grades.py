"""Grades of motion by scheme, the percentages they read, and the traps of the printed bands."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.measurement import Coded
from service.domain.metric import Parameters, Result
from service.domain.metrics import (
    METRICS,
    buck_gramcko_finger,
    buck_gramcko_thumb,
    louisville_grade,
    strickland_adjusted_grade,
    strickland_grade,
    total_motion_grade,
)
from service.domain.metrics.grades import GRADES

MARKED = Parameters(reference_for=frozenset({"right"}))
ASKED = Parameters(reference_for=frozenset({"right"}), include_from_memory=True)
SCHEMES = (total_motion_grade.SCHEME, strickland_grade.SCHEME, strickland_adjusted_grade.SCHEME)


def one(visits, name, parameters=MARKED, side="right") -> Result:
    """The one result of this side."""
    found = [r for r in METRICS[name].compute(visits.readings, visits.states, parameters) if r.site.side == side]
    assert len(found) == 1
    return found[0]


def interphalangeal(visits, inputs) -> None:
    for joint in ("PIP", "DIP"):
        for end, name in (("flex", "flexion"), ("deficit", "extension-deficit")):
            visits.end(f"right-index-{joint.lower()}", name, str(inputs[f"{joint}_{end}"]))


@pytest.mark.check_values("tam_grade_assh_percent")
def test_grade_of_total_motion_by_percent(row) -> None:
    assert total_motion_grade.SCHEME.grade(row.inputs["percent"]) == row.expected, row.source


@pytest.mark.published(
    source="handlab.com clinical pearl 18: excellent 100, good above 75, fair above 50, poor below 50"
)
def test_what_the_printed_bands_leave_open_is_a_stated_rule() -> None:
    grade = total_motion_grade.SCHEME.grade
    assert [grade(Decimal(p)) for p in ("50", "75", "75.01", "100", "101")] == [
        "fair", "fair", "good", "excellent", "excellent",
    ]  # fmt: skip
    assert "exactly 50 has no printed grade" in total_motion_grade.METRIC.formula


@pytest.mark.published(source="eatonhand.com clf217 prints degree bands that contradict percents (thumb 70-79, 80-97)")
def test_no_grade_comes_from_degrees(visits) -> None:
    """180 of 260 degrees is good by the printed degree bands, and fair by percent: percent decides."""
    visits.digit("right-index", "0-0-60 0-0-80 0-0-40")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    result = one(visits, "total-motion-grade")
    assert result.value == Coded("fair")
    assert round(result.parts[0].number, 2) == Decimal("69.23")
    assert result.parts[0].parts[0].number == 180


def test_without_a_marked_hand_a_finger_is_graded_by_the_norm_and_says_so(visits) -> None:
    visits.digit("right-index", "0-0-85 0-0-110 0-0-65")
    visits.digit("right-thumb", "0-0-50 0-15-60")
    found = METRICS["total-motion-grade"].compute(visits.readings, (), Parameters())
    assert [(r.site.key, r.value.code) for r in found] == [("index", "excellent")]
    assert found[0].conditions["against"] == "norm of 260 degrees"


@pytest.mark.check_values("tam_thumb_percent_of_140")
def test_percent_of_the_norm_of_a_thumb(row, visits) -> None:
    visits.digit("right-thumb", f"0-0-50 0-{110 - row.inputs['tam']}-60")
    result = one(visits, "percent-of-norm")
    assert result.parts[0].number == row.inputs["tam"]
    row.check(result.number)


@pytest.mark.parametrize("state", [{"state": "fused", "angle": "20"}, {"state": "absent", "level": "dip"}])
def test_a_norm_of_whole_digits_does_not_hold_for_others(visits, state) -> None:
    visits.digit("right-index", "0-0-85 0-0-90 0-0-65")
    site = "right-index-dip" if state["state"] == "fused" else "right-index"
    visits.state(site, **state)
    for name in ("percent-of-norm", "interphalangeal-percent"):
        assert one(visits, name).value.rule == "norm-of-whole-digit"
    assert one(visits, "composite-flexion-gap", Parameters()).value.rule == "no-reference"


@pytest.mark.check_values("strickland_percent")
def test_percent_of_175(row, visits) -> None:
    interphalangeal(visits, row.inputs)
    result = one(visits, "interphalangeal-percent")
    row.check(result.number)
    assert [part.site.key for part in result.parts] == ["index-pip", "index-dip"]


@pytest.mark.check_values("strickland_grade_original")
def test_original_grade(row, visits) -> None:
    interphalangeal(visits, row.inputs)
    result = one(visits, "strickland-grade")
    assert result.value == Coded(row.expected), row.source
    assert result.parts[0].metric == "interphalangeal-percent"
    assert result.parameters["scheme"] == "strickland-grade"
    assert "lower" in result.parameters["boundary"]


@pytest.mark.check_values("strickland_grade_adjusted")
def test_adjusted_grade(row, visits) -> None:
    interphalangeal(visits, row.inputs)
    assert one(visits, "strickland-adjusted-grade", ASKED).value == Coded(row.expected), row.source
    assert one(visits, "strickland-adjusted-grade").value.rule == "from-memory"


@pytest.mark.check_values("strickland_band_conflict_percent_vs_degrees")
def test_percent_decides_where_degree_bands_disagree(row) -> None:
    percent = 100 * row.inputs["pip_plus_dip_deg"] / 175
    assert strickland_grade.SCHEME.grade(percent) == row.expected["by_percent"] != row.expected["by_degrees"]


@pytest.mark.published(source="Hahn 2016, Handchir 48:290: schemes disagree in 24-33% of positions")
def test_one_reading_has_other_grades_by_other_schemes_and_none_is_made_of_another(visits) -> None:
    visits.digit("right-index", "0-0-90 0-10-90 0-5-50")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    found = {n: one(visits, n, ASKED).value.code for n in ("total-motion-grade", "strickland-grade")}
    assert found == {"total-motion-grade": "good", "strickland-grade": "good"}
    assert one(visits, "strickland-adjusted-grade", ASKED).value.code == "good"
    for name in ("strickland-grade", "strickland-adjusted-grade", "total-motion-grade"):
        assert {p.metric for p in one(visits, name, ASKED).parts} <= {"interphalangeal-percent", "percent-of-reference"}


@pytest.mark.check_values("buck_gramcko_finger")
def test_points_of_a_finger(row) -> None:
    given = (Decimal(row.inputs[n]) for n in ("tip_palm_cm", "ext_deficit", "total_motion"))
    grade, points = buck_gramcko_finger.grade(*given)
    assert (grade, points["points"]) == (row.expected["grade"], row.expected["points"]), row.source


@pytest.mark.check_values("buck_gramcko_thumb")
def test_points_of_a_thumb(row, visits) -> None:
    flexion, deficit, motion = (row.inputs[n] for n in ("IP_flex", "IP_ext_deficit", "IP_range"))
    points = buck_gramcko_thumb.points_of(flexion, deficit, motion)
    assert sum(points.values()) == row.expected["points"]
    assert buck_gramcko_thumb.grade_of(sum(points.values())) == row.expected["grade"]


def test_a_thumb_is_graded_from_its_ip_joint(visits) -> None:
    visits.digit("right-thumb", "0-0-50 0-10-60")
    result = one(visits, "buck-gramcko-thumb", ASKED)
    assert result.value == Coded("excellent")
    assert result.counts == {"points-flexion": 6, "points-deficit": 3, "points-range": 6, "points": 15}
    assert one(visits, "buck-gramcko-thumb").counts == {}


@pytest.mark.check_values("louisville_grade")
def test_louisville(row) -> None:
    found = louisville_grade.grade(row.inputs["flexion_lag_cm"], row.inputs["ext_deficit"], Decimal(0))[0]
    assert found == row.expected, row.source


@pytest.mark.parametrize("name", ["louisville-grade", "buck-gramcko-finger"])
def test_grades_after_a_repair_need_the_distance_of_the_same_visit(visits, name) -> None:
    visits.digit("right-index", "0-0-85 0-10-90 0-0-60")
    visits.say("tip-to-palm", "right-index", "8", "mm", 2, reach="flexed", mode="active")
    assert one(visits, name, ASKED).value.rule == "not-measured"
    visits.say("tip-to-palm", "right-index", "8", "mm", 1, reach="flexed", mode="active")
    assert one(visits, name, ASKED).value == Coded("excellent")
    assert one(visits, name, ASKED).inputs[-1].kind == "tip-to-palm"
    visits.say("tip-to-palm", "right-index", "9", "mm", 1, reach="flexed", mode="active")
    assert one(visits, name, ASKED).value.rule == "read-twice"


def test_white_is_not_there() -> None:
    assert not [name for name in METRICS if "white" in name]


@pytest.mark.published(source="part of total active motion, ASSH: 85+90+40 - 25 - 10 = 180")
def test_sum_of_deficits_and_the_gap_to_the_other_hand(visits) -> None:
    visits.digit("right-index", "0-0-85 0-25-90 0-10-40")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    assert one(visits, "extension-deficit-sum").number == 35
    assert one(visits, "composite-flexion-gap").number == 80
    unmarked = one(visits, "composite-flexion-gap", Parameters())
    assert (unmarked.number, unmarked.conditions["against"]) == (80, "norm of 260 degrees")


@given(st.sampled_from(SCHEMES), st.decimals(0, 150, places=2), st.decimals(0, 150, places=2))
def test_more_motion_never_has_a_lower_grade(scheme, one_percent, other) -> None:
    order = list(GRADES)
    low, high = sorted((one_percent, other))
    assert order.index(scheme.grade(high)) <= order.index(scheme.grade(low))


@given(st.integers(0, 15), st.integers(0, 15))
def test_more_points_never_have_a_lower_grade(low, high) -> None:
    order = list(GRADES)
    worse, better = sorted((low, high))
    assert order.index(buck_gramcko_thumb.grade_of(better)) <= order.index(buck_gramcko_thumb.grade_of(worse))
