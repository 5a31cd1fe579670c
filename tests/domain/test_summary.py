"""The summary of one patient, and the lines it is made of."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.domain.hands import Hand, Measure
from service.domain.line import Line
from service.domain.metric import Missing, Parameters
from service.domain.reading import check, confirmed
from service.domain.summary import PatientSummary, as_json, summarise

RIGHT = {"right": True, "left": False}


def summary(visits, references=RIGHT, **more) -> PatientSummary:
    return summarise(visits.readings, visits.states, references, **more)


def hand(visits, side="right", **more) -> Hand:
    return next(h for h in summary(visits, **more).hands if h.side == side)


def active(visits, digit="index", side="right", **more) -> Measure:
    return next(m for m in hand(visits, side, **more).digits[digit] if m.metric == "total-active-motion")


def line(measure: Measure) -> Line:
    assert isinstance(measure.main, Line)
    return measure.main


@pytest.fixture
def course(visits):
    """Three visits of an index finger that gains, beside the other hand, measured once."""
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70", 1)
    visits.digit("right-index", "0-0-60 0-30-60 0-0-40", 1)
    visits.digit("right-index", "0-0-70 0-20-70 0-0-40", 8)
    visits.digit("right-index", "0-0-80 0-15-90 0-5-45", 20)
    return visits


def test_start_and_now_beside_the_other_hand(course) -> None:
    found = line(active(course))
    assert (found.start.number, found.now.number) == (130, 195)
    assert (found.start.visit, found.now.visit) == ("Encounter/1", "Encounter/20")
    assert found.change.amount.number == 65
    assert found.change.errors == ()
    assert (found.start_of_reference.number, found.now_of_reference.number) == (50, 75)
    assert [part.site.part.joint for part in found.now.parts] == ["mcp", "pip", "dip"]
    assert found.notes == ()


def test_the_start_is_the_first_visit_never_the_worst(course) -> None:
    course.digit("right-index", "0-0-50 0-30-50 0-0-30", 4)
    assert line(active(course)).start.visit == "Encounter/1"
    assert summary(course).baseline == "the first visit that has the measure"


def test_visits_out_of_order_are_put_in_order(course) -> None:
    course.readings.reverse()
    assert line(active(course)).now.number == 195


def test_a_hand_not_marked_gets_no_percent(course) -> None:
    found = line(active(course, references={}))
    assert found.now_of_reference.value.rule == "no-reference"
    assert [h.role for h in summary(course, references={}).hands] == ["not stated", "not stated"]


def test_the_affected_hand_comes_first(course) -> None:
    assert [(h.side, h.role) for h in summary(course).hands] == [("right", "affected"), ("left", "reference")]
    turned = summary(course, references={"left": True})
    assert [(h.side, h.role) for h in turned.hands] == [("left", "affected"), ("right", "reference")]


def test_two_injured_hands_serve_neither(course) -> None:
    both = summary(course, references={"left": False, "right": False})
    assert all(h.role == "not stated" for h in both.hands)


def test_a_measure_never_taken_says_so(course) -> None:
    passive = next(m for m in hand(course).digits["index"] if m.metric == "total-passive-motion")
    assert isinstance(passive.main, Missing)
    assert "passive" in passive.main.reason


def test_one_visit_has_no_change(visits) -> None:
    visits.digit("right-index", "0-0-60 0-30-60 0-0-40", 1)
    assert line(active(visits)).change.amount.rule == "one-visit"


@pytest.mark.parametrize(
    ("field", "answer"), [("together", "unknown"), ("treatment", "after")]
)  # fmt: skip
def test_what_may_not_be_compared_is_not_subtracted(course, field, answer) -> None:
    course.digit("right-index", "0-0-90 0-0-90 0-0-50", 27, **{field: answer})
    found = line(active(course))
    assert found.now.visit == "Encounter/27"
    assert found.now.number == 230
    assert found.change.amount.rule == "not-comparable"
    assert found.change.amount.reason.startswith("Not comparable, because ")
    assert field in found.change.amount.reason


def test_where_a_visit_has_several_the_comparable_pair_is_shown(course) -> None:
    course.digit("right-index", "0-0-85 0-10-90 0-5-45", 20, treatment="after")
    found = line(active(course))
    assert (found.now.number, found.change.amount.number) == (195, 65)
    assert any("1 more of this visit" in note for note in found.notes)


def test_a_changed_examiner_is_marked_and_the_change_still_shown(course) -> None:
    course.readings = [
        replace(m, circumstances=replace(m.circumstances, performer_name=f"visit {m.circumstances.taken.day}"))
        for m in course.readings
    ]
    change = line(active(course)).change
    assert change.amount.number == 65
    assert change.comparison.changed == ("performer: visit 1 before, visit 20 now",)


def test_a_joint_lost_in_between_makes_the_totals_incomparable(course) -> None:
    course.state("right-index", "absent", day=25, level="dip")
    course.joint("right-index-mcp", "0-0-80", 27)
    course.joint("right-index-pip", "0-0-80", 27)
    found = line(active(course))
    assert found.now.number == 160
    assert found.change.amount.rule == "not-comparable"
    assert "joints: mcp pip dip before, mcp pip now" in found.change.amount.reason


def test_a_joint_fused_in_between_makes_the_totals_incomparable(course) -> None:
    course.state("right-index-dip", "fused", day=25, angle="20")
    course.joint("right-index-mcp", "0-0-80", 27)
    course.joint("right-index-pip", "0-0-80", 27)
    change = line(active(course)).change
    assert change.amount.rule == "not-comparable"
    assert "right DIP joint of the index finger flexion was not read at both visits" in change.comparison.because


def test_a_later_visit_without_a_total_is_told(course) -> None:
    course.joint("right-index-pip", "0-0-95", 27)
    found = line(active(course))
    assert found.now.visit == "Encounter/20"
    assert any(note.startswith("no result on 2026-03-27: Flexion of the right MCP joint") for note in found.notes)


def test_an_earlier_visit_without_a_total_is_no_note(visits) -> None:
    visits.joint("right-index-pip", "0-0-95", 1)
    visits.digit("right-index", "0-0-60 0-30-60 0-0-40", 2)
    found = line(active(visits))
    assert found.start.visit == found.now.visit == "Encounter/2"
    assert found.notes == ()


def test_no_visit_with_a_total_says_why(visits) -> None:
    visits.joint("right-index-pip", "0-0-95", 1)
    found = line(active(visits))
    assert found.now.value.rule == "not-measured"
    assert found.change.amount.rule == "no-value"


def test_readings_in_the_orthosis_stand_apart(course) -> None:
    course.digit("right-index", "0-0-20 0-0-20 0-0-20", 21, orthosis_state="in-orthosis")
    course.digit("right-index", "0-0-30 0-0-20 0-0-20", 21, orthosis_state="unknown")
    found = active(course)
    assert line(found).now.number == 195
    assert {state: apart.now.number for state, apart in found.apart.items()} == {"in-orthosis": 60, "unknown": 70}
    assert found.note == ""


def test_only_readings_in_the_orthosis_leave_the_free_hand_unmeasured(visits) -> None:
    visits.digit("right-index", "0-0-20 0-0-20 0-0-20", 1, orthosis_state="out-of-orthosis")
    found = active(visits)
    assert isinstance(found.main, Missing)
    assert found.main.rule == "not-measured-free"
    assert found.apart["out-of-orthosis"].now.number == 60


def test_where_no_orthosis_state_was_recorded_it_is_said(visits) -> None:
    visits.digit("right-index", "0-0-20 0-0-20 0-0-20", 1, orthosis_state="unknown")
    found = active(visits)
    assert line(found).now.number == 60
    assert "not recorded" in found.note


def test_grip_in_two_units_is_subtracted_in_one(visits) -> None:
    visits.grip("right", "10 10 10", 1)
    visits.grip("right", "44 44 44", 9, unit="[lbf_av]")
    (measure,) = hand(visits).grip
    found = line(measure)
    assert found.change.amount.unit == "[lbf_av]"
    assert abs(found.change.amount.number - (44 - 10 / Decimal("0.45359237"))) < Decimal("0.000001")
    assert {e.statistic for e in found.change.errors} == {"SEM", "MDC"}
    assert found.now_of_reference.value.rule == "reference-not-measured"


def test_grip_at_another_handle_is_not_compared(visits) -> None:
    visits.grip("right", "10 10 10", 1)
    visits.grip("right", "15 15 15", 9, handle_position="3")
    assert "handle position: 2 before, 3 now" in line(hand(visits).grip[0]).change.amount.reason


def test_wrist_and_forearm_stand_with_their_arcs_active_and_passive_apart(visits) -> None:
    for day, arc in ((1, "30-0-40"), (9, "45-0-60")):
        visits.joint("right-wrist", arc, day)
        visits.joint("right-wrist", "50-0-70", day, mode="passive")
        visits.joint("right-forearm", "60-0-50", day, motion="supination-pronation")
    found = hand(visits).limb
    assert [(m.site.key, m.of) for m in found] == [
        ("wrist", "flexion to extension, active"), ("wrist", "flexion to extension, passive"),
        ("forearm", "pronation to supination, active"),
    ]  # fmt: skip
    assert [(line(m).start.number, line(m).now.number) for m in found] == [(70, 105), (120, 120), (110, 110)]
    assert line(found[0]).change.amount.number == 35
    assert {m.answer("motion") for m in line(found[0]).now.inputs} == {"flexion", "extension"}
    assert line(found[0]).now_of_reference.rule == "no-percent"
    assert [h.limb for h in summary(visits).hands] == [found]


def test_a_mode_that_was_not_recorded_is_said_of_an_arc(visits) -> None:
    visits.joint("right-wrist", "30-0-40", mode="unknown")
    assert hand(visits).limb[0].of == "flexion to extension, active or passive not recorded"


def test_a_gain_across_two_ranges_of_strength_stands_with_the_errors_of_both(visits) -> None:
    visits.grip("right", "15 15 15", 1)
    visits.grip("right", "25 25 25", 9)
    change = line(hand(visits).grip[0]).change
    assert [str(e.low) for e in change.errors if e.statistic == "MDC"] == ["5.1", "61", "4.9"]


def test_touch_by_zone_and_by_hand(visits) -> None:
    for day, tip in ((1, "4.56"), (9, "3.61")):
        visits.touch("right-index-tip", tip, day)
        visits.touch("right-thumb-tip", "2.83", day)
    found = hand(visits)
    assert [m.site.key for m in found.touch_zones] == ["thumb-tip", "index-tip"]
    tip = line(found.touch_zones[1])
    assert (tip.start.value.code, tip.now.value.code) == ("loss-of-protective-sensation", "diminished-light-touch")
    assert tip.change.amount.rule == "no-amount"
    assert tip.now_of_reference.rule == "no-percent"
    (whole,) = found.touch
    assert line(whole).now.value.code == "diminished-light-touch"
    assert line(whole).now.counts == {"diminished-light-touch": 1, "normal": 1}


def test_the_worst_of_other_zones_is_not_compared(visits) -> None:
    visits.touch("right-index-tip", "4.56", 1)
    visits.touch("right-thumb-tip", "2.83", 9)
    change = line(hand(visits).touch[0]).change
    assert change.amount.rule == "not-comparable"
    assert "zones" in change.amount.reason


def test_what_was_asked_about_and_confirmed_stays_in_sight(visits) -> None:
    reading = visits.grip("right", "85 85 85", 1)
    visits.readings = [confirmed(reading, check(reading), "read twice")]
    (kept,) = set(summary(visits).warnings)
    assert (kept.site.code, kept.rule, kept.reason) == ("right-hand", "soft-bound", "read twice")
    assert kept.measure == "Grip strength, right hand, free"


def test_what_is_not_shown_is_counted(visits) -> None:
    visits.joint("right-wrist", "60-0-60")
    visits.end("right-thumb-cmc", "palmar-abduction", "45")
    visits.end("right-index-pip", "flexion", "45", mode="assisted")
    found = summary(visits)
    assert "Joint motion, right wrist" not in found.not_shown
    assert found.not_shown["Joint motion, right CMC joint of the thumb"] == 1
    assert sum(found.not_shown.values()) + _shown(found) == len(visits.readings)


def _shown(found: PatientSummary) -> int:
    shown = set()
    for each in found.hands:
        for measures in (*each.digits.values(), each.limb, each.grip, each.touch, each.touch_zones):
            for measure in measures:
                lines = [*measure.apart.values(), *([measure.main] if isinstance(measure.main, Line) else [])]
                shown |= {id(m) for one in lines for r in (one.start, one.now) for m in r.inputs}
    return len(shown)


def test_readings_entered_in_error_are_left_out_and_counted(course) -> None:
    last = [m for m in course.readings if m.circumstances.taken.day == 20]
    kept = [m for m in course.readings if m not in last]
    wrong = [replace(m, circumstances=replace(m.circumstances, status="entered-in-error")) for m in last]
    found = summarise([*kept, *wrong], (), RIGHT, not_used={"claims no profile of this record": 3})
    assert found.not_used == {"claims no profile of this record": 3, "status entered-in-error": 6}
    assert found.last.day == 8


def test_readings_not_signed_are_told(course) -> None:
    assert summary(course).notes == ("24 of 24 readings belong to visits that are not signed yet",)
    signed = [replace(m, circumstances=replace(m.circumstances, status="final")) for m in course.readings]
    assert summarise(signed).notes == ()


def test_nobody_and_two_people(visits, fresh) -> None:
    empty = summary(visits)
    assert (empty.subject, empty.hands, empty.first, empty.visits) == ("", (), None, 0)
    one = visits.grip("right", "10 10")
    two = replace(one, circumstances=replace(one.circumstances, subject="Patient/another"))
    with pytest.raises(ValueError, match="one patient"):
        summarise([one, two])


def test_parameters_reach_the_metrics(course) -> None:
    course.joint("right-ring-mcp", "0-0-80")
    course.joint("right-ring-pip", "15-0-90")
    course.joint("right-ring-dip", "0-0-50")
    ignored = line(active(course, "ring")).now.number
    counted = line(active(course, "ring", parameters=Parameters(hyperextension="deficit"))).now.number
    assert ignored - counted == 15


def test_no_word_judges(course) -> None:
    course.grip("right", "20 30 10", 1)
    text = str(as_json(summary(course))).lower()
    for word in ("improv", "worse", "deteriorat", "plateau", "significant", "should", "must", "insincere"):
        assert word not in text.replace("worst", "").replace("shoulder", ""), word


def _numbers(value):
    if isinstance(value, dict):
        for each in value.values():
            yield from _numbers(each)
    elif isinstance(value, list):
        for each in value:
            yield from _numbers(each)
    else:
        yield value


def test_as_json_is_plain_and_exact(course) -> None:
    course.grip("right", "20.50 21.50", 1)
    course.touch("right-index-tip", "3.61", 1)
    course.touch("right-palm", "not-performed", 1)
    course.state("right-index-pip", "replaced")
    made = as_json(summary(course))
    allowed = (str, int, Decimal, bool, type(None))
    assert all(isinstance(v, allowed) and not isinstance(v, float) for v in _numbers(made))
    right = made["hands"][0]
    total = right["digits"]["index"][0]["main"]
    assert total["now"]["value"] == {"number": 195, "unit": "deg", "comparator": ""}
    assert total["now"]["error"] == total["change"]["error"] == "not published"
    assert total["now"]["inputs"][0].keys() == {"id", "version", "code"}
    pip = total["now"]["parts"][1]
    assert [i["value"]["number"] for i in pip["inputs"]] == [90, 15]
    assert pip["error"][0]["population"] == "20 healthy volunteers"
    trials = right["grip"][0]["main"]["now"]["parts"][0]["inputs"][0]["trials"]
    assert [str(t["number"]) for t in trials] == ["20.50", "21.50"]
    assert right["touch"][0]["main"]["now"]["value"]["display"] == "diminished light touch"
    assert right["touch_zones"][1]["main"]["now"]["value"]["absent"] == "not-testable"
    assert right["touch_zones"][0]["main"]["now"]["inputs"][0]["value"]["display"] == "monofilament 3.61"
    assert made["formulas"]["total-active-motion"]["source"]["status"] == "published"
    assert made["states"][0]["site"]["code"] == "right-index-pip"
