"""The picture of a course: what it shows, what stands in its table, and that both are the same."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from service.domain.change.answers import Aim
from service.domain.change.chart import AT_95, COLUMNS, NO_ERROR, Panel, chart_of, table_of
from service.domain.change.phases import phases_of, worn_at
from service.domain.change.verdict import limit_of

from .conftest import made
from .test_phases import FIRST, PIP, episode

CAUTION = "invented caution"


def shown(spec, mark):
    """The values of every layer of one kind of mark, in all panels."""
    layers = [layer for panel in spec["vconcat"] for layer in panel.get("layer", [panel])]
    return [
        value
        for layer in layers
        if layer["mark"] == mark or (isinstance(layer["mark"], dict) and layer["mark"]["type"] == mark)
        for value in layer["data"]["values"]
    ]


def chart(*panels, phases=(), until=FIRST + timedelta(days=60)):
    return chart_of(panels, phases, until, CAUTION)


def test_the_table_holds_what_the_picture_shows() -> None:
    line = made([40, 45, 52], [0, 7, 14], who=["A", "A", "B"])
    spec = chart(Panel(line))
    rows = spec["usermeta"]["table"]
    assert [set(row) for row in rows] == [set(COLUMNS)] * 3
    assert [(v["day"], v["value"]) for v in shown(spec, "point")] == [(r["day"], r["value"]) for r in rows]
    assert [row["changed"] for row in rows] == ["", "", "performer: A before, B now"]
    assert [v["changed"] for v in shown(spec, "point")] == ["as before", "as before", "something around it changed"]
    assert spec["usermeta"]["caution"] == CAUTION
    assert "3 values, 40 to 52 deg, from 2026-03-02 to 2026-03-16" in spec["description"]


def test_bars_are_1_96_standard_errors_and_the_band_is_what_does_not_count() -> None:
    """1.96 standard errors hold 95% of a normal distribution."""
    line = made([40, 45], [0, 7])
    limit = limit_of(line)
    spec = chart(Panel(line))
    (first, second) = [v for v in shown(spec, "rule") if "low" in v]
    assert (second["low"], second["high"]) == (45 - AT_95 * limit.sem, 45 + AT_95 * limit.sem)
    (band,) = shown(spec, "rect")
    assert (band["low"], band["high"]) == (40 - limit.most, 40 + limit.most)
    assert (first["low"] + first["high"]) / 2 == 40


def test_without_a_published_error_there_are_no_bars_and_it_says_so() -> None:
    line = made([40, 45], [0, 7], errors=())
    spec = chart(Panel(line))
    assert shown(spec, "rect") == []
    assert [v for v in shown(spec, "rule") if "low" in v] == []
    assert spec["vconcat"][0]["title"]["text"].endswith(NO_ERROR)
    assert {row["error"] for row in table_of([Panel(line)], [])} == {NO_ERROR}


def test_goals_and_the_other_hand_stand_beside_the_values() -> None:
    line, other = made([40, 45], [0, 7]), made([95], [0])
    spec = chart(Panel(line, (Aim("bend to the palm", Decimal(80), None, "g"),), other))
    texts = {value["what"]: value["value"] for value in shown(spec, "text")}
    assert texts["goal: bend to the palm"] == Decimal(80)
    assert texts["other hand"] == Decimal(95)
    assert "other hand" not in {v["what"] for v in shown(chart(Panel(line)), "text")}


def test_orthoses_stand_as_bands_beneath_and_end_where_they_ended() -> None:
    line = made([40, 45, 52], [0, 7, 21])
    worn = worn_at(PIP, [episode("cast 1", 2, 9), episode("cast 2", 9, None)])
    until = FIRST + timedelta(days=40)
    spec = chart(Panel(line), phases=phases_of(worn, FIRST, until), until=until)
    bands = [(v["from"], v["to"]) for v in shown(spec, "bar")]
    ended, lasting = FIRST + timedelta(days=9), until
    assert (FIRST + timedelta(days=2)).isoformat() == bands[0][0]
    assert [end for _, end in bands] == [ended.isoformat(), lasting.isoformat()]
    shown_worn = [row["worn"] for row in spec["usermeta"]["table"]]
    assert shown_worn[0] == "no orthosis"
    assert "cast 2" in shown_worn[2]


def test_nothing_to_show_is_said() -> None:
    spec = chart()
    assert spec["description"] == "There is no value to show."
    assert spec["usermeta"]["table"] == []


def test_an_axis_does_not_blow_up_what_hardly_changes() -> None:
    ends = [each["value"] for each in shown(chart(Panel(made([62, 63], [0, 7]))), "tick")]
    assert ends == [Decimal("52.5"), Decimal("72.5")]
    assert not shown(chart(Panel(made([20, 63], [0, 7]))), "tick")
