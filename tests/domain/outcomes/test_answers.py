"""Stretches, rates, milestones and pooled effects of invented hands whose truth is known."""

from __future__ import annotations

import json
from random import Random

import pytest
from scipy.stats import theilslopes

from service.domain.metric import Missing
from service.domain.outcomes.answers import SEVERAL, outcomes_of
from service.domain.outcomes.figure import figure_of
from service.domain.outcomes.lines import NOTE, Counts, Line, one_of_each_place
from service.domain.outcomes.stretches import Wearing, stretches_of


def line(patient: str, points: list[tuple[int, float]], side: str = "left", digit: str = "index") -> Line:
    return Line(patient, side, digit, digit, "", tuple(points))


def wearing(patient: str, since: int, until: int | None = None, digits: tuple[str, ...] = (), **facets: str) -> Wearing:
    return Wearing(patient, "left", frozenset(digits), since, until, tuple(facets.items()))


def clinic(seed: int = 2, patients: int = 12) -> tuple[list[Line], list[Wearing]]:
    """Two digits each, gaining 3 a week for four weeks, then, in an orthosis, a rate of the patient's own around 9."""
    random = Random(seed)
    lines, worn = [], []
    for n in range(patients):
        start, rate = random.gauss(120, 20), random.gauss(9, 3)
        for digit in ("index", "middle"):
            days = [7 * visit for visit in range(10)]
            rises = [3 * day / 7 if day <= 28 else 12 + rate * (day - 28) / 7 for day in days]
            points = [(day, start + rise + random.gauss(0, 4)) for day, rise in zip(days, rises, strict=True)]
            lines.append(line(f"p{n:02}", points, digit=digit))
        worn.append(wearing(f"p{n:02}", 28, mechanism="static" if n % 2 else "dynamic"))
    return lines, worn


def test_a_reading_of_the_day_of_change_is_of_the_stretch_before() -> None:
    found = stretches_of(
        line("p", [(0, 1.0), (14, 2.0), (21, 3.0), (28, 4.0), (35, 5.0)]), [wearing("p", 14, 28, form="cast")]
    )
    assert [(s.stage, s.since, s.until, [d for d, _ in s.points], s.start) for s in found] == [
        ("before", 0, 14, [0, 14], None),
        ("orthosis", 14, 28, [21, 28], (14, 2.0)),
        ("after", 28, None, [35], (28, 4.0)),
    ]


def test_casts_of_a_series_are_one_stretch_and_others_are_none_of_it() -> None:
    casts = [wearing("p", 7 * n, 7 * n + 7, ("index",), form="cast") for n in (1, 2, 3)]
    others = [wearing("q", 0, form="cast"), wearing("p", 0, None, ("ring",), form="splint")]
    found = stretches_of(line("p", [(n * 7, float(n)) for n in range(6)]), [*casts, *others])
    assert [(s.stage, len(s.points)) for s in found] == [("before", 2), ("orthosis", 3), ("after", 1)]
    assert [s.stage for s in stretches_of(line("r", [(0, 1.0), (9, 1.0)]), casts)] == ["none"]


def test_of_two_orthoses_at_once_no_facet_is_told() -> None:
    lines = [line("p", [(7 * n, float(n)) for n in range(5)])]
    both = [wearing("p", 3, form="cast"), wearing("p", 3, form="orthosis")]
    found = outcomes_of(lines, both, "more", None, 1)
    assert [(s.by, s.group, s.stretches) for s in found.summaries if s.by == "form"] == [("form", SEVERAL, 1)]


def test_rates_are_found_again_and_counted_by_patient() -> None:
    lines, worn = clinic()
    found = outcomes_of(lines, worn, "more", None, 1)
    by_stage = {s.group: s for s in found.summaries if s.by == "stage"}
    before, during = by_stage["before any orthosis"], by_stage["while an orthosis was to be worn"]
    assert before.rated == during.rated == Counts(12, 12, 24)
    assert before.slope.interval[0] < 3 < before.slope.interval[1]
    assert during.slope.interval[0] < 9 < during.slope.interval[1]
    assert {s.group: s.rated for s in found.summaries if s.by == "mechanism"} == {
        "dynamic": Counts(6, 6, 12), "static": Counts(6, 6, 12),
    }  # fmt: skip
    for rated in found.rated:
        days, values = zip(*rated.stretch.points, strict=True)
        assert rated.slope == pytest.approx(theilslopes(values, days).slope * 7)


def test_effects_are_one_a_patient() -> None:
    lines, worn = clinic()
    found = {each.name: each for each in outcomes_of(lines, worn, "more", None, 1).pooling}
    change = found["slope-change"]
    assert [effect.lines for effect in change.effects] == [2] * 12
    assert change.counts == Counts(12, 12, 24)
    assert change.pooled.count == 12
    assert change.pooled.interval[0] < 6 < change.pooled.interval[1]
    assert found["level-change"].pooled.interval[0] < 0 < found["level-change"].pooled.interval[1]


def test_who_drops_out_is_counted_where() -> None:
    lines = [
        line("there", [(0, 100.0), (7, 120.0)]),
        line("once", [(0, 50.0)]),
        line("never", [(0, 50.0), (70, 60.0)]),
        line("late", [(0, 50.0), (7, 60.0), (21, 95.0)], digit="ring"),
        line("late", [(0, 50.0), (7, 92.0)], side="right"),
    ]
    found = outcomes_of(lines, [], "more", 90.0, 1)
    assert [(s.what, s.left_out, s.remaining) for s in found.steps["milestone"]] == [
        ("at the milestone at the first reading", Counts(1, 1, 1), Counts(3, 4, 4)),
        ("no second reading", Counts(1, 1, 1), Counts(2, 3, 3)),
    ]
    assert [(f.day, f.at_risk, f.reaching) for f in found.reached.falls] == [(7, 3, 1), (21, 2, 1)]
    assert [(m.low, m.high) for m in found.reached.masses] == [(0, 7), (7, 21), (70, None)]
    assert found.steps["effects"][0].left_out == Counts(4, 5, 5)
    assert all(isinstance(each.pooled, Missing) for each in found.pooling)


def test_less_may_be_better() -> None:
    found = outcomes_of([line("p", [(0, 40.0), (7, 30.0), (14, 10.0)])], [], "less", 15.0, 1)
    assert [(f.day, f.reaching) for f in found.reached.falls] == [(14, 1)]


def test_values_on_a_line_have_no_error_to_pool_by() -> None:
    lines = [line(p, [(7 * n, 10.0 + n + max(0, n - 3)) for n in range(8)]) for p in ("a", "b", "c")]
    worn = [wearing(p, 21, form="cast") for p in ("a", "b", "c")]
    (change,) = [p for p in outcomes_of(lines, worn, "more", None, 1).pooling if p.name == "slope-change"]
    assert change.none == {"The values lie on the lines exactly: their error cannot be told.": 3}
    assert change.effects == []


def test_of_a_place_the_line_with_most_visits_is_taken() -> None:
    few = Line("p", "left", "index", "index", "treatment after", ((0, 1.0),))
    many = Line("p", "left", "index", "index", "treatment before", ((0, 1.0), (7, 2.0)))
    assert one_of_each_place([few, many]) == [many]


def test_the_figure_is_drawn_and_says_what_it_is_not() -> None:
    convert = pytest.importorskip("vl_convert", reason="the extra charts is not installed")
    lines, worn = clinic(patients=4)
    spec = figure_of(outcomes_of(lines, worn, "more", 160.0, 1), "An invented study", "deg")
    drawn = convert.vegalite_to_svg(json.dumps(spec))
    assert [panel["title"].split(" ")[0] for panel in spec["vconcat"]] == [
        "Rate",
        "Share",
        "change",
        "change",
        "logarithm",
    ]
    for words in ("no causal claim", "deg a week", "Kaplan-Meier", "another patient"):
        assert words in drawn
    assert NOTE in spec["description"]


def test_nothing_to_show_is_a_picture_of_nothing() -> None:
    convert = pytest.importorskip("vl_convert", reason="the extra charts is not installed")
    spec = figure_of(outcomes_of([line("p", [(0, 1.0)])], [], "more", None, 1), "An invented study", "deg")
    assert "there is no value to show" in spec["description"]
    assert convert.vegalite_to_svg(json.dumps(spec)).startswith("<svg")
