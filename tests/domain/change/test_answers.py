"""What is told of one patient: headline, both directions, goals, ceilings, windows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from service.domain.anatomy import Site
from service.domain.change.answers import aims_of, changes_of, trending_of
from service.domain.change.ceilings import ceilings_of
from service.domain.change.gathering import trajectories, trajectories_of
from service.domain.change.phases import Phase
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.metric import Parameters
from service.domain.metrics import METRICS

PIP = Site("right", "index-pip")


def goal(code, target, site=PIP, better="more", **more) -> Goal:
    return Goal("an invented goal", "patient", code, site, Quantity(Decimal(target), "deg"), better=better, **more)


def lines(visits):
    found = METRICS["total-active-motion"].compute(visits.readings, visits.states, Parameters())
    return [*trajectories(visits.readings, visits.states), *trajectories_of(found)]


def named(answer):
    return [answer.changes[n].trajectory.measure for n in answer.headline]


def test_the_headline_is_total_motion_and_never_the_largest_change(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60", 1)
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60", 15)
    answer = changes_of(lines(visits))
    assert named(answer) == ["total-active-motion"]
    (largest,) = [c for c in answer.changes if c.trajectory.measure == "extension-position" and c.change.amount == 20]
    assert largest.change.verdict == "improved"
    assert answer.count.series == 6
    assert answer.count.beyond == 1
    assert answer.count.by_error_alone == Decimal("0.3")
    assert answer.baseline == "the first visit that has the measure"


def test_motion_just_out_of_an_orthosis_is_no_headline(visits) -> None:
    for day in (1, 15):
        visits.digit("right-index", "0-0-80 0-20-90 0-0-60", day)
        visits.digit("right-index", "0-0-80 0-30-90 0-0-60", day, orthosis_state="out-of-orthosis")
    answer = changes_of(lines(visits))
    (headline,) = (answer.changes[n] for n in answer.headline)
    assert headline.trajectory.conditions["orthosis_state"] == "free"


def test_a_goal_on_record_names_the_headline(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60", 1)
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60", 15)
    answer = changes_of(lines(visits), [goal("extension-deficit-active-free", 10, better="less")])
    assert named(answer) == ["extension-position"]
    (aim,) = answer.changes[answer.headline[0]].aims
    assert aim.value == -10


def test_a_gain_stands_beside_what_became_of_the_other_direction(visits) -> None:
    """Serial casting gains extension and can cost flexion (facts of the trade)."""
    visits.joint("right-index-pip", "0-40-95", 1)
    visits.joint("right-index-pip", "0-10-75", 21)
    answer = changes_of(lines(visits))
    extension = next(c for c in answer.changes if c.trajectory.measure == "extension-position")
    assert extension.change.verdict == "improved"
    assert extension.opposite.measure == "flexion-position"
    assert extension.opposite.amount == -20
    assert extension.opposite.words.startswith("worse beyond error")
    visits.readings = [r for r in visits.readings if r.answer("motion") != "flexion"]
    answer = changes_of(lines(visits))
    assert answer.changes[0].opposite.rule == "opposite-not-measured"


def test_a_goal_finds_its_line_by_metric_code_or_the_other_name_of_its_end(visits) -> None:
    visits.joint("right-index-pip", "5-0-95", 1)
    visits.digit("right-middle", "0-0-80 0-20-90 0-0-60", 1)
    every = lines(visits)
    extension = next(t for t in every if t.measure == "extension-position" and t.site == PIP)
    assert extension.codes == ("hyperextension-active-free",)
    assert aims_of(extension, [goal("extension-deficit-active-free", 0, better="less")])[0].value == 0
    assert aims_of(extension, [goal("extension-deficit-passive-free", 0, better="less")]) == ()
    assert aims_of(extension, [goal("flexion-active-free", 90)]) == ()
    total = next(t for t in every if t.is_metric and t.site.key == "middle")
    found = Goal("whole", "patient", "", total.site, Quantity(Decimal(230), "deg"), metric="total-active-motion")
    assert aims_of(total, [found])[0].value == 230
    other = Goal("force", "patient", "", total.site, Quantity(Decimal(2), "kgf"), metric="total-active-motion")
    assert aims_of(total, [other]) == ()


def test_ceilings_are_passive_motion_the_marked_other_hand_and_a_norm(visits) -> None:
    visits.joint("right-index-pip", "0-0-70", 1)
    visits.joint("right-index-pip", "0-0-85", 1, mode="passive")
    visits.joint("left-index-pip", "0-0-105", 1)
    every = lines(visits)
    flexion = next(t for t in every if t.measure == "flexion-position" and t.conditions["mode"] == "active")
    found = ceilings_of(flexion, every, {"right"})
    assert [(c.amount, c.what.split(",")[0]) for c in found] == [
        (85, "the passive motion of the same visit"),
        (105, "the other hand"),
        (100, "the average of healthy joints"),
    ]
    assert [c.amount for c in ceilings_of(flexion, every)] == [85, 100]
    extension = next(t for t in every if t.measure == "extension-position")
    assert ceilings_of(extension, [], ())[0].amount == 0


def test_a_norm_of_a_whole_finger_is_not_one_of_a_shortened_one(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60", 1)
    visits.digit("right-thumb", "0-0-50 0-0-80", 1)
    visits.state("right-middle", "absent", level="dip")
    visits.joint("right-middle-mcp", "0-0-80", 1)
    visits.joint("right-middle-pip", "0-0-80", 1)
    totals = {t.site.key: t for t in lines(visits) if t.is_metric}
    assert [c.amount for c in ceilings_of(totals["index"], ())] == [260]
    assert [c.amount for c in ceilings_of(totals["thumb"], ())] == [140]
    assert ceilings_of(totals["middle"], ()) == ()


def days(count):
    return [3.5 * n for n in range(count)]


def test_lately_is_the_phase_at_the_last_visit_or_six_weeks(course) -> None:
    line = course(range(40, 60), days(20))
    alone = trending_of(line, [line], ())
    assert alone.window == "the six weeks up to the last visit"
    assert alone.standing.trend.visits == 13
    assert alone.whole.visits == 20
    first = line.points[0].when.date()
    change = first + timedelta(days=50)
    two = (Phase("no orthosis", (), first, change), Phase("cast", (), change, None))
    parted = trending_of(line, [line], two)
    assert parted.window == "the phase at the last visit: cast"
    assert parted.standing.trend.first.date() > change
    asked = trending_of(line, [line], two, since=date(2026, 3, 10))
    assert asked.window == "from 2026-03-10 on"
    assert trending_of(course([]), [], ()).window == "all visits"


def test_few_visits_of_a_phase_borrow_spacing_and_spread_from_those_before(course) -> None:
    line = course([40 + n % 3 for n in range(12)], days(12))
    begin = line.points[-2].day
    found = trending_of(line, [line], (), since=begin)
    assert found.standing.trend.visits == 2
    assert isinstance(found.standing.more_visits, int)
    alone = trending_of(line.between(begin), [line], (), since=begin)
    assert alone.standing.more_visits.rule == "no-spacing"


def test_a_projected_day_goes_with_each_goal(course) -> None:
    line = course([40 + 2 * n + n % 2 for n in range(12)], codes=("flexion-active-free",),
                  conditions={"mode": "active", "orthosis_state": "free"})  # fmt: skip
    aims = [goal("flexion-active-free", 75, Site("right", "ring-pip"), due=date(2026, 6, 1))]
    found = trending_of(line, [line], (), goals=aims)
    assert found.standing.answer == "gaining"
    assert found.aims[0].due == date(2026, 6, 1)
    assert found.projections[0].earliest > line.points[-1].when


def test_the_baseline_is_a_rule_that_was_named(visits) -> None:
    visits.joint("right-index-pip", "0-40-95", 1)
    visits.joint("right-index-pip", "0-10-75", 21)
    answer = changes_of(lines(visits), rule="last-visit-before", day=date(2026, 3, 10))
    assert answer.baseline == "the last visit before a day that was named (2026-03-10)"
    with pytest.raises(KeyError):
        changes_of(lines(visits), rule="the-worst")


def test_a_goal_of_total_motion_means_the_free_hand_unless_it_says_otherwise(visits) -> None:
    for day in (1, 15):
        visits.digit("right-index", "0-0-80 0-20-90 0-0-60", day)
        visits.digit("right-index", "0-0-80 0-30-90 0-0-60", day, orthosis_state="out-of-orthosis")
    wanted = goal("", 240, Site("right", "index"), metric="total-active-motion")
    answer = changes_of(lines(visits), [wanted])
    assert [answer.changes[n].trajectory.conditions["orthosis_state"] for n in answer.headline] == ["free"]
    just_out = replace(wanted, conditions={"orthosis_state": "out-of-orthosis"})
    told = changes_of(lines(visits), [just_out])
    assert [told.changes[n].trajectory.conditions["orthosis_state"] for n in told.headline] == ["out-of-orthosis"]
