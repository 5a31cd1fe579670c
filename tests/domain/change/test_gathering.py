"""Which readings and results become points of a trajectory, and why others do not."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from decimal import Decimal

import pytest

from service.domain.change.gathering import BETTER, trajectories, trajectories_of
from service.domain.measurement import Quantity
from service.domain.metric import Parameters
from service.domain.metrics import METRICS


def test_both_names_of_an_end_make_one_line_of_signed_positions(visits) -> None:
    visits.end("right-index-pip", "extension-deficit", "20", 1)
    visits.end("right-index-pip", "extension-deficit", "0", 5)
    (line,) = trajectories(visits.readings)
    assert (line.measure, line.unit, line.better) == ("extension-position", "deg", "more")
    assert [p.value for p in line.points] == [-20, 0]
    assert line.codes == ("extension-deficit-active-free",)
    visits.end("right-index-pip", "hyperextension", "5", 9)
    (line,) = trajectories(visits.readings)
    assert [p.value for p in line.points] == [-20, 0, 5]
    assert line.better == "unstated"
    assert "no better side" in line.notes[0]


def test_what_changed_around_a_value_is_marked_where_it_shows(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1, instrument="blue")
    visits.end("right-index-pip", "flexion", "62", 3, instrument="blue")
    visits.end("right-index-pip", "flexion", "70", 8, instrument="red")
    (line,) = trajectories(visits.readings)
    assert [p.changed for p in line.points] == [(), (), ("instrument: blue before, red now",)]
    assert line.points[0].stratum != line.points[2].stratum


def test_conditions_part_lines(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1)
    visits.end("right-index-pip", "flexion", "70", 1, mode="passive")
    visits.end("right-index-pip", "flexion", "70", 8, orthosis_state="in-orthosis")
    lines = trajectories(visits.readings)
    assert [len(line.points) for line in lines] == [1, 1, 1]


def left_out(visits) -> list[str]:
    (line,) = trajectories(visits.readings, visits.states)
    return [each.because.rule for each in line.left_out]


def test_retracted_readings_are_left_out_and_said_to_be(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1)
    wrong = replace(visits.readings[0], circumstances=replace(visits.readings[0].circumstances, status="cancelled"))
    visits.readings = [wrong]
    visits.end("right-index-pip", "flexion", "61", 4)
    assert left_out(visits) == ["retracted"]


def test_no_value_a_bounded_value_and_a_part_that_is_not_there_are_left_out(visits) -> None:
    visits.end("right-index-pip", "flexion", "not-performed", 1)
    visits.end("right-index-pip", "flexion", "60", 2)
    visits.state("right-index-pip", "fused", day=5, angle="40")
    visits.end("right-index-pip", "flexion", "60", 2)
    first = visits.readings[0]
    late = replace(visits.readings[1], circumstances=replace(first.circumstances, encounter="Encounter/9"))
    late = replace(late, circumstances=replace(late.circumstances, taken=first.circumstances.taken + timedelta(days=8)))
    visits.readings = [*visits.readings[:2], late]
    assert left_out(visits) == ["value-absent", "part-absent"]


def test_all_missing_is_a_line_without_points(visits) -> None:
    visits.end("right-index-pip", "flexion", "not-performed", 1)
    (line,) = trajectories(visits.readings)
    assert line.points == ()
    assert line.left_out[0].because.reason.startswith("No value")


def test_two_values_of_one_visit_are_none_and_two_equal_ones_are_one(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1)
    visits.end("right-index-pip", "flexion", "60", 1)
    visits.end("right-index-pip", "flexion", "61", 2)
    visits.end("right-index-pip", "flexion", "71", 2)
    (line,) = trajectories(visits.readings)
    assert [p.value for p in line.points] == [60]
    assert [each.because.rule for each in line.left_out] == ["read-twice", "read-twice"]


def test_of_two_visits_of_a_day_the_first_stands(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1)
    early = visits.readings[0].circumstances
    again = replace(early, taken=early.taken + timedelta(hours=4), encounter="Encounter/again")
    visits.readings.append(replace(visits.readings[0], circumstances=again))
    (line,) = trajectories(visits.readings)
    assert [p.visit for p in line.points] == ["Encounter/1"]
    assert [each.because.rule for each in line.left_out] == ["same-day"]


def test_one_moment_on_two_calendar_days_is_one_point(visits) -> None:
    """Half past eleven at night in one zone is the next day in another."""
    first = visits.end("right-index-pip", "flexion", "60", 1)
    moment = datetime(2026, 3, 1, 23, 30, tzinfo=timezone(timedelta(hours=1)))
    early = replace(first.circumstances, taken=moment)
    late = replace(early, taken=moment.astimezone(timezone(timedelta(hours=5))), encounter="Encounter/2")
    visits.readings = [replace(first, circumstances=around) for around in (early, late)]
    (line,) = trajectories(visits.readings)
    assert len(line.points) == 1


def test_units_of_one_dimension_are_joined_and_others_part(visits) -> None:
    given = {"reach": "flexed", "mode": "active", "palm_landmark": "distal-palmar-crease"}
    visits.say("tip-to-palm", "right-index", "2.5", "cm", 1, **given)
    visits.say("tip-to-palm", "right-index", "20", "mm", 5, **given)
    (line,) = trajectories(visits.readings)
    assert (line.unit, [p.value for p in line.points]) == ("cm", [Decimal("2.5"), 2])
    assert line.better == "less"


def test_what_cannot_be_converted_is_another_line(visits) -> None:
    first = visits.say("pain", "right-hand", "4", "{score}", 1, pain_when="rest")
    later = replace(first.circumstances, taken=first.circumstances.taken + timedelta(days=3), encounter="Encounter/4")
    visits.readings.append(replace(first, value=Quantity(Decimal(40), "mm"), circumstances=later))
    assert [(line.unit, len(line.points)) for line in trajectories(visits.readings)] == [("{score}", 1), ("mm", 1)]


def test_an_ordered_category_has_ranks_and_no_unit(visits) -> None:
    visits.say("muscle-strength", "right-abductor-pollicis-brevis", "3", day=1)
    visits.say("muscle-strength", "right-abductor-pollicis-brevis", "4", day=5)
    (line,) = trajectories(visits.readings)
    assert line.scale == "rank"
    assert line.points[1].code == "4"
    assert line.points[0].value < line.points[1].value


def test_results_of_metrics_make_lines_with_what_changed_around_their_inputs(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60", 1)
    visits.digit("right-index", "0-0-85 0-10-90 0-0-60", 8, instrument="red")
    found = METRICS["total-active-motion"].compute(visits.readings, (), Parameters())
    (line,) = trajectories_of(found)
    assert [p.value for p in line.points] == [210, 225]
    assert line.points[1].changed == ("instrument: unknown before, red now",)
    assert len(line.points[0].inputs) == 6
    assert line.is_metric
    assert line.errors == ()


def test_published_errors_go_with_a_line(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1)
    (line,) = trajectories(visits.readings)
    assert [(e.statistic, e.low, e.high) for e in line.errors] == [("SEM", Decimal("2.4"), Decimal("4.9"))]


@pytest.mark.parametrize("name", BETTER)
def test_what_is_followed_is_a_metric(name) -> None:
    assert name in METRICS


def test_a_window_keeps_what_lies_in_it(visits) -> None:
    for day in (1, 5, 9):
        visits.end("right-index-pip", "flexion", "60", day)
    (line,) = trajectories(visits.readings)
    assert len(line.between(line.points[1].day).points) == 2
    assert len(line.between(None, line.points[1].day).points) == 2
    assert line.weeks == pytest.approx((0, 4 / 7, 8 / 7))


def test_repeats_made_to_learn_the_error_are_passed_over(visits) -> None:
    visits.end("right-index-pip", "flexion", "60", 1)
    visits.end("right-index-pip", "flexion", "64", 1, repeat="second")
    (line,) = trajectories(visits.readings)
    assert [p.value for p in line.points] == [60]
