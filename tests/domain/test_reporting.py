"""The published recommendations on reporting range of motion, one test each.

Recommendations: BMC Musculoskeletal Disorders 2016, doi 10.1186/s12891-016-0884-3, table 3, numbered as there.
"""

from __future__ import annotations

import json
from dataclasses import fields
from decimal import Decimal

import pytest

from service.domain.arcs import FINGER_EXTENSION, signed
from service.domain.field import MODE
from service.domain.kinds import KINDS, joint_motion, thumb_opposition, touch_threshold
from service.domain.line import Line
from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.domain.result_json import plain
from service.domain.series import direction_named
from service.domain.summary import summarise
from service.errors import Invalid

TABLE = "BMC Musculoskelet Disord 2016, doi 10.1186/s12891-016-0884-3, table 3"
MARKED = Parameters(reference_for=frozenset({"right"}))


def results(visits, name, parameters=MARKED):
    return METRICS[name].compute(visits.readings, visits.states, parameters)


@pytest.mark.published(source=f"{TABLE}, 1")
def test_lack_of_extension_has_one_name() -> None:
    """One term, extension deficit, of 0 or more; no second name for it in any code."""
    names = {code for kind in KINDS.values() for code in kind.concepts}
    assert {n for n in names if n.startswith("extension-deficit")}
    assert not {n for n in names if "extension-lag" in n or "lack" in n}
    assert FINGER_EXTENSION.end(Decimal(-20)) == ("extension-deficit", Decimal(20))


@pytest.mark.published(source=f"{TABLE}, 2")
def test_a_fixed_flexion_is_told_from_a_lag(visits) -> None:
    """A deficit that stays when the examiner moves the joint is another code than one the patient cannot overcome."""
    active = visits.end("right-index-pip", "extension-deficit", "40")
    passive = visits.end("right-index-pip", "extension-deficit", "40", mode="passive")
    kind = joint_motion.KIND
    assert kind.code(active.axes) != kind.code(passive.axes)
    (pattern,) = results(visits, "lag-pattern")
    assert pattern.value.code == "passive-limited"


@pytest.mark.published(source=f"{TABLE}, 3")
def test_the_way_of_measuring_is_asked_and_told(visits) -> None:
    names = {f.name for f in joint_motion.KIND.all_fields}
    assert {"mode", "together", "method", "instrument", "orthosis_state", "treatment"} <= names
    reading = visits.end("right-index-pip", "flexion", "80")
    assert plain(reading)["context"]["method"] == "unknown"


@pytest.mark.published(source=f"{TABLE}, 4")
def test_full_extension_is_zero_and_180_is_no_second_zero(visits) -> None:
    assert FINGER_EXTENSION.end(Decimal(0)) == ("extension-deficit", Decimal(0))
    assert joint_motion.bounds(visits.end("right-index-pip", "flexion", "80").site, {"motion": "flexion"}).hard < 180


@pytest.mark.published(source=f"{TABLE}, 5; survey of signs: PMC2793704")
@pytest.mark.parametrize("amount", ["-10", "-0.5"])
def test_a_bare_sign_is_refused_and_a_named_one_is_read(amount) -> None:
    with pytest.raises(Invalid, match="convention"):
        signed(FINGER_EXTENSION, Decimal(amount), "named")
    assert signed(FINGER_EXTENSION, Decimal(amount), "minus-is-deficit") == Decimal(amount)
    assert signed(FINGER_EXTENSION, Decimal(amount), "minus-is-hyperextension") == -Decimal(amount)


@pytest.mark.published(source=f"{TABLE}, 6")
def test_active_and_passive_are_never_mixed(visits) -> None:
    assert MODE in joint_motion.KIND.axes
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90", mode="passive")
    visits.joint("right-index-dip", "0-0-60")
    (active,) = results(visits, "total-active-motion")
    (passive,) = results(visits, "total-passive-motion")
    assert active.is_missing
    assert passive.is_missing
    for name in ("arc-of-motion", "total-active-motion", "interphalangeal-percent", "limb-arc"):
        for result in results(visits, name):
            assert result.conditions["mode"] in ("active", "passive")


@pytest.mark.published(source=f"{TABLE}, 7")
def test_extension_is_never_shown_without_flexion(visits) -> None:
    """A gain of extension at the cost of flexion shows both, before and after."""
    visits.digit("right-index", "0-0-80 0-40-95 0-0-60", 1)
    visits.digit("right-index", "0-0-80 0-15-75 0-0-60", 8)
    for result in results(visits, "total-active-motion"):
        pip = next(p for p in result.parts if p.site.key == "index-pip")
        assert {m.answer("motion") for m in pip.inputs} == {"flexion", "extension-deficit"}
    for result in results(visits, "extension-deficit-sum"):
        assert {m.answer("motion") for p in result.parts for m in p.inputs} == {"flexion", "extension-deficit"}
    line = summarise(visits.readings).hands[0].digits["index"][0].main
    assert isinstance(line, Line)
    assert [len(end.parts) for end in (line.start, line.now)] == [3, 3]


@pytest.mark.published(source=f"{TABLE}, 7")
def test_no_result_shows_one_end_of_an_arc_alone(visits) -> None:
    """Whatever rests on joint motion holds both ends of each arc it shows, in itself or in its parts."""
    for mode, arcs in (("active", "10-0-70 0-20-80 0-0-50"), ("passive", "15-0-80 0-5-95 0-0-60")):
        visits.digit("right-index", arcs, mode=mode)
        visits.digit("left-index", "0-0-90 0-0-100 0-0-70", mode=mode)
        visits.joint("right-wrist", "30-0-40", mode=mode)
    visits.digit("right-thumb", "0-0-50 0-15-60")
    shown = 0
    for metric in METRICS.values():
        for result in metric.compute(visits.readings, (), MARKED):
            ends: dict[tuple[str, str], set[str]] = {}
            for m in _readings_below(result):
                ends.setdefault((m.site.code, m.answer("mode")), set()).add(direction_named(m))
            assert all(len(found) == 2 for found in ends.values()), (metric.name, ends)
            shown += bool(ends)
    assert shown > 30


def _readings_below(result):
    return [m for m in result.inputs if m.kind == "joint-motion"] + [
        m for part in result.parts for m in _readings_below(part)
    ]


@pytest.mark.published(source=f"{TABLE}, 8")
def test_a_composite_stands_with_each_of_its_joints(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    for name in ("total-active-motion", "extension-deficit-sum", "interphalangeal-percent", "strickland-grade",
                 "total-motion-grade", "percent-of-reference", "percent-of-norm", "composite-flexion-gap"):  # fmt: skip
        for result in results(visits, name):
            assert "arc-of-motion" in _metrics_below(result), name
            shown = json.dumps(plain(result), default=str)
            assert shown.count('"Arc of motion of a joint"') >= 2, name


def _metrics_below(result) -> set[str]:
    return {p.metric for p in result.parts} | {m for p in result.parts for m in _metrics_below(p)}


@pytest.mark.published(source=f"{TABLE}, 9, said there of another scheme's bands")
def test_bands_do_not_overlap_and_say_whose_a_limit_is() -> None:
    for name in ("total-motion-grade", "strickland-grade", "strickland-adjusted-grade"):
        formula = METRICS[name].formula
        assert "from" in formula or "above" in formula
        assert "else poor" in formula


@pytest.mark.published(source=f"{TABLE}, 10")
def test_a_percentage_stands_with_what_it_is_made_of(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    visits.grip("right", "20 20 20")
    visits.grip("left", "40 40 40")
    percents = [m for m in METRICS.values() if m.unit == "%" and "variation" not in m.name]
    assert len(percents) >= 6
    for metric in percents:
        for result in metric.compute(visits.readings, (), MARKED):
            assert result.parts, metric.name
            assert all(p.inputs for p in result.parts)


@pytest.mark.published(source=f"{TABLE}, 11")
def test_a_change_stands_between_both_its_values(visits) -> None:
    visits.digit("right-index", "0-0-80 0-40-95 0-0-60", 1)
    visits.digit("right-index", "0-0-80 0-15-95 0-0-60", 8)
    line = summarise(visits.readings).hands[0].digits["index"][0].main
    shown = plain(line)
    assert (shown["start"]["value"]["number"], shown["now"]["value"]["number"]) == (195, 220)
    assert shown["change"]["amount"]["number"] == 25
    assert {f.name for f in fields(Line)} >= {"start", "now", "change"}


@pytest.mark.published(source=f"{TABLE}, 12: graphs supported by data")
def test_every_result_names_the_readings_behind_it(visits) -> None:
    visits.digit("right-index", "0-0-80 0-20-90 0-0-60")
    for metric in METRICS.values():
        for result in metric.compute(visits.readings, (), MARKED):
            assert all(m.circumstances.id and m.circumstances.version for m in result.inputs)


@pytest.mark.check_values("monofilament_target_force_g")
def test_the_kit_force_is_kept_beside_the_marking(row) -> None:
    marking = str(row.inputs["marking"]).replace("6.1", "6.10") if row.inputs["marking"] == Decimal("6.1") else None
    marking = marking or f"{row.inputs['marking']}"
    term = touch_threshold.VALUES[f"marking-{marking}"]
    assert Decimal(term.properties["target-force-gf"]) == row.expected, row.source


@pytest.mark.check_values("kapandji_opposition")
def test_landmarks_of_opposition_follow_the_abstract_of_1986(row) -> None:
    display = thumb_opposition.KIND.values[str(row.expected)].display.lower()
    words = str(row.inputs["landmark"]).lower().replace(",", " ").split()
    named = {"index", "middle", "ring", "little"} & set(words[:1])
    assert named <= set(display.replace(",", " ").split()), (display, row.source)
    if row.expected <= 2:
        assert ("second phalanx" if row.expected == 1 else "third phalanx") in display
