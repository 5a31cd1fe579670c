"""What every declaration of a metric, and every result, must keep to."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.error import ERRORS, errors_of
from service.domain.kinds import KINDS
from service.domain.measurement import Coded, Quantity
from service.domain.metric import Missing, Parameters
from service.domain.metrics import METRICS
from service.domain.units import UNITS, convert, rounded

RELEASED = {
    "arc-of-motion": 1,
    "total-active-motion": 1,
    "total-passive-motion": 1,
    "percent-of-reference": 1,
    "percent-of-norm": 1,
    "total-motion-grade": 1,
    "extension-deficit-sum": 1,
    "composite-flexion-gap": 1,
    "interphalangeal-percent": 1,
    "strickland-grade": 1,
    "strickland-adjusted-grade": 1,
    "buck-gramcko-finger": 1,
    "buck-gramcko-thumb": 1,
    "louisville-grade": 1,
    "active-passive-difference": 1,
    "lag-pattern": 1,
    "clawing-index": 1,
    "tip-travel": 1,
    "tightness-difference": 1,
    "torque-angle-slope": 1,
    "limb-arc": 1,
    "grip-summary": 1,
    "grip-best": 1,
    "grip-variation": 1,
    "grip-ratio": 1,
    "grip-five-positions": 1,
    "grip-rapid-exchange": 1,
    "grip-expected": 1,
    "grip-both-hands": 1,
    "grip-z-score": 1,
    "grip-percent-of-norm": 1,
    "pinch-summary": 1,
    "pinch-best": 1,
    "pinch-variation": 1,
    "pinch-ratio": 1,
    "pinch-z-score": 1,
    "pinch-percent-of-norm": 1,
    "touch-threshold-category": 1,
    "touch-threshold-hand": 1,
    "touch-threshold-nerve": 1,
    "two-point-band": 1,
    "sensory-grade": 1,
    "motor-grade-nerve": 1,
    "nerve-outcome": 1,
    "hand-volume-difference": 1,
    "questionnaire-result": 1,
}
CONDITIONS = {
    "arc-of-motion": "mode orthosis_state treatment together",
    "total-active-motion": "mode orthosis_state treatment together joints",
    "total-passive-motion": "mode orthosis_state treatment together joints",
    "percent-of-reference": "mode orthosis_state treatment together joints",
    "percent-of-norm": "mode orthosis_state treatment together joints against",
    "total-motion-grade": "mode orthosis_state treatment together joints against scheme",
    "extension-deficit-sum": "mode orthosis_state treatment together joints",
    "composite-flexion-gap": "mode orthosis_state treatment together joints against",
    "interphalangeal-percent": "mode orthosis_state treatment together joints",
    "strickland-grade": "mode orthosis_state treatment together joints scheme",
    "strickland-adjusted-grade": "mode orthosis_state treatment together joints scheme",
    "buck-gramcko-finger": "mode orthosis_state treatment together joints",
    "buck-gramcko-thumb": "mode orthosis_state treatment together joints",
    "louisville-grade": "mode orthosis_state treatment together joints",
    "active-passive-difference": "motion orthosis_state treatment",
    "lag-pattern": "motion orthosis_state treatment",
    "clawing-index": "mode orthosis_state treatment together",
    "tip-travel": "mode palm_landmark treatment",
    "tightness-difference": "treatment",
    "torque-angle-slope": "direction neighbours_held treatment",
    "limb-arc": "arc mode orthosis_state treatment",
    "grip-summary": "orthosis_state handle_position posture protocol summary_rule treatment repeat",
    "grip-best": "orthosis_state handle_position posture protocol summary_rule treatment repeat",
    "grip-variation": "orthosis_state handle_position posture protocol summary_rule treatment repeat",
    "grip-ratio": "orthosis_state handle_position posture protocol summary_rule treatment repeat",
    "grip-five-positions": "orthosis_state posture protocol summary_rule treatment repeat",
    "grip-rapid-exchange": "orthosis_state handle_position posture treatment",
    "grip-expected": "orthosis_state handle_position posture protocol summary_rule treatment repeat",
    "grip-both-hands": "orthosis_state handle_position posture protocol summary_rule treatment repeat",
    "grip-z-score": "orthosis_state handle_position posture protocol summary_rule treatment repeat norm",
    "grip-percent-of-norm": "orthosis_state handle_position posture protocol summary_rule treatment repeat norm",
    "pinch-summary": "pinch orthosis_state opposed_finger posture summary_rule treatment repeat",
    "pinch-best": "pinch orthosis_state opposed_finger posture summary_rule treatment repeat",
    "pinch-variation": "pinch orthosis_state opposed_finger posture summary_rule treatment repeat",
    "pinch-ratio": "pinch orthosis_state opposed_finger posture summary_rule treatment repeat",
    "pinch-z-score": "pinch orthosis_state opposed_finger posture summary_rule treatment repeat norm",
    "pinch-percent-of-norm": "pinch orthosis_state opposed_finger posture summary_rule treatment repeat norm",
    "touch-threshold-category": "treatment scheme",
    "touch-threshold-hand": "treatment scheme zones",
    "touch-threshold-nerve": "treatment scheme zones",
    "two-point-band": "touch criterion treatment",
    "sensory-grade": "treatment",
    "motor-grade-nerve": "treatment muscles",
    "nerve-outcome": "domain",
    "hand-volume-difference": "summary_rule treatment",
    "questionnaire-result": (
        "questionnaire questionnaire_name questionnaire_version questionnaire_language answered_by treatment"
    ),
}
"""What must agree before two results of a metric may stand side by side, and in which order it is told."""
EACH = pytest.mark.parametrize("metric", METRICS.values(), ids=lambda m: m.name)


EVERYTHING = Parameters(
    reference_for=frozenset({"right"}),
    dominant="right",
    norm="grip-us-1985",
    sex="female",
    born=date(1990, 5, 1),
    include_from_memory=True,
)
PINCHED = replace(EVERYTHING, norm="tip-pinch-us-1985", born=date(1983, 5, 1))


def asked(metric) -> Parameters:
    """Parameters under which the metric has something to say."""
    return PINCHED if metric.name in ("pinch-z-score", "pinch-percent-of-norm") else EVERYTHING


@pytest.fixture
def full(visits):
    """A record that gives every metric something to do, and something missing."""
    for day in (1, 8):
        visits.digit("right-index", "0-0-80 0-20-90 0-0-60", day)
        visits.digit("right-index", "0-0-85 0-10-95 0-0-60", day, mode="passive")
        visits.digit("left-index", "0-0-90 0-0-100 0-0-70", day)
        visits.digit("right-thumb", "0-0-50 0-15-60", day)
        visits.joint("right-ring-pip", "0-0-90", day)
        visits.joint("right-wrist", "60-0-70", day, together="unknown")
        for position in "12345":
            visits.grip("right", "20 22 21", day, handle_position=position)
        visits.grip("left", "40 stopped-for-pain 41", day)
        visits.grip("right", "20 21", day, protocol="static")
        visits.grip("right", "22 19", day, protocol="rapid-exchange")
        visits.touch("right-index-tip", "3.61", day, monofilament_set="five")
        visits.touch("right-thumb-tip", "2.83", day, monofilament_set="five")
        visits.touch("right-index-base", "4.31", day, monofilament_set="five")
        visits.touch("right-palm", "not-performed", day)
        for side, trials in (("right", "7 8 9"), ("left", "10 10 10")):
            visits.pinch(side, trials, day)
        visits.say("tip-to-palm", "right-index", "1.5", "cm", day, reach="flexed", mode="active")
        visits.say("tip-to-palm", "right-index", "9.0", "cm", day, reach="extended", mode="active")
        for held, degrees in (("mcp-flexed", "90"), ("mcp-extended", "50")):
            visits.say("tightness", "right-index-pip", degrees, "deg", day, motion="flexion", neighbour=held)
        for force, degrees in (("200 gf", "40"), ("400 gf", "30")):
            fields = {"motion": "extension-deficit", "force": force, "lever_arm": "2.5 cm"}
            visits.say("torque-angle", "right-index-pip", degrees, "deg", day, **fields)
        visits.say("two-point-discrimination", "right-index-tip-radial", "6", "mm", day, touch="static")
        visits.say("two-point-discrimination", "right-index-tip-radial", "5", "mm", day, touch="moving")
        visits.say("muscle-strength", "right-abductor-pollicis-brevis", "4", "", day)
        visits.say("shape-texture", "right-index", "3", "{score}", day)
        visits.say("dexterity", "right-hand", "8", "{score}", day, result="score", test="an invented test")
        visits.say("hypersensitivity", "right-hand", "mild", "", day)
        visits.say("cold-intolerance", "right-hand", "moderate", "", day)
        for side, volume in (("right", "520"), ("left", "480")):
            visits.say("hand-volume", f"{side}-hand", volume, "mL", day)
        visits.say("questionnaire-score", "person", "33.3", "{score}", day, questionnaire="dash", items_answered="30")
    return visits


def test_released_names_and_versions_are_permanent() -> None:
    assert {m.name: m.version for m in METRICS.values()} == RELEASED


@EACH
def test_a_declaration_says_all_there_is_to_say(metric) -> None:
    assert METRICS[metric.name] is metric
    assert metric.title
    assert metric.formula.endswith(".")
    assert metric.source.text
    assert metric.source.status in ("published", "from memory", "project rule")
    assert metric.unit == "" or metric.unit in UNITS
    assert not (metric.unit and metric.values)
    assert metric.caveat == "" or metric.caveat[0].islower() or metric.caveat[0].isdigit()


@EACH
def test_a_reading_marked_as_a_repeat_makes_no_result(metric, full) -> None:
    whole = metric.compute(full.readings, full.states, asked(metric))
    repeats = [replace(m, context={**m.context, "repeat": "second"}) for m in full.readings]
    assert metric.compute([*full.readings, *repeats], full.states, asked(metric)) == whole
    assert metric.compute(repeats, full.states, asked(metric)) == ()


@EACH
def test_what_is_from_memory_and_grades_is_shown_only_when_asked_for(metric, full) -> None:
    found = metric.compute(full.readings, full.states, replace(asked(metric), include_from_memory=False))
    closed = [r for r in found if isinstance(r.value, Missing) and r.value.rule == "from-memory"]
    withheld = {
        "strickland-adjusted-grade", "buck-gramcko-finger", "buck-gramcko-thumb", "louisville-grade", "sensory-grade",
        "nerve-outcome",
    }  # fmt: skip
    assert bool(closed) == (metric.name in withheld)
    assert not closed or metric.source.status == "from memory"


@EACH
def test_a_result_says_what_it_rests_on(metric, full) -> None:
    found = metric.compute(full.readings, full.states, asked(metric))
    assert any(not r.is_missing for r in found)
    for result in found:
        assert (result.metric, result.version) == (metric.name, metric.version)
        assert result.inputs
        assert set(map(id, result.inputs)) <= set(map(id, full.readings))
        assert {m.circumstances.subject for m in result.inputs} == {"Patient/made-up"}
        assert result.source.text
        if isinstance(result.value, Missing):
            assert result.value.reason.endswith(".")
            assert result.value.rule
        elif isinstance(result.value, Coded):
            assert result.value.code in metric.values
        else:
            assert result.value.unit == metric.unit or not metric.unit
            assert isinstance(result.number, Decimal)


@EACH
def test_a_result_names_what_must_agree_with_another_one(metric, full) -> None:
    found = [r for r in metric.compute(full.readings, full.states, asked(metric)) if not r.is_missing]
    kept = {name for m in full.readings for name in (*m.axes, *m.context)}
    for result in found:
        assert " ".join(result.conditions) == CONDITIONS[metric.name]
        for name in set(result.conditions) & kept - {"motion"}:
            answers = {m.answer(name) for m in result.inputs if name in {**m.axes, **m.context}}
            assert result.conditions[name] in answers, name


@EACH
def test_nothing_in_gives_nothing_out(metric) -> None:
    assert metric.compute([], [], EVERYTHING) == ()


@EACH
def test_the_same_readings_give_the_same_results(metric, full) -> None:
    given_twice = [metric.compute(full.readings, full.states, asked(metric)) for _ in range(2)]
    assert given_twice[0] == given_twice[1]


@EACH
def test_results_of_one_visit_do_not_depend_on_another(metric, full) -> None:
    first = [m for m in full.readings if m.circumstances.encounter == "Encounter/1"]
    alone = metric.compute(first, full.states, asked(metric))
    both = metric.compute(full.readings, full.states, asked(metric))
    assert list(alone) == [r for r in both if r.visit == "Encounter/1"]


@pytest.mark.published(source="MDC95 = 1.96 x sqrt(2) x SEM, PMC6558857 table 1")
def test_published_errors_agree_with_each_other_within_their_rounding() -> None:
    """The SEM and the MDC that one study prints must fit, or one of them was copied wrongly."""
    pairs = 0
    for errors in ERRORS.values():
        for sem in (e for e in errors if e.statistic == "SEM"):
            for mdc in (e for e in errors if e.statistic == "MDC" and e.population == sem.population):
                for small, large in ((sem.low, mdc.low), (sem.high, mdc.high)):
                    half = Decimal(1).scaleb(int(small.as_tuple().exponent)) / 2
                    factor = Decimal("1.96") * Decimal(2).sqrt()
                    rounding = Decimal(1).scaleb(int(large.as_tuple().exponent)) / 2
                    assert (small - half) * factor - rounding <= large <= (small + half) * factor + rounding
                    pairs += 1
    assert pairs == 6


def test_an_error_is_complete_and_belongs_to_a_kind_or_metric() -> None:
    assert set(ERRORS) <= {*METRICS, *KINDS}
    for errors in ERRORS.values():
        for error in errors:
            assert error.population
            assert error.raters
            assert error.method
            assert error.source
            assert (error.level == "95%") == (error.statistic == "MDC")
            assert 0 < error.low <= error.high
            assert error.unit in UNITS


def test_errors_of_grip_tell_weak_from_strong_hands() -> None:
    found = [(e.population.rpartition(", ")[2], str(e.low)) for e in ERRORS["grip-summary"] if e.unit == "kgf"]
    weak, strong = "grip up to 20 kgf", "grip above 20 kgf"
    assert found == [(weak, "1.8"), (strong, "1.8"), (weak, "4.9"), (strong, "5.1")]


@pytest.mark.published(source="Bai et al. 2019, doi 10.1186/s12891-019-2623-z: up to 20 kg MDC 4.9, above it 5.1")
@pytest.mark.parametrize(
    ("number", "unit", "mdc"),
    [("20", "kgf", "4.9"), ("20.1", "kgf", "5.1"), ("0", "kgf", "4.9"), ("44", "[lbf_av]", "4.9"),
     ("44.1", "[lbf_av]", "5.1"), ("196", "N", "4.9"), ("197", "N", "5.1")],
)  # fmt: skip
def test_one_error_of_grip_stands_for_one_strength(number, unit, mdc) -> None:
    found = errors_of("grip-summary", {"summary_rule": "mean-of-trials"}, Quantity(Decimal(number), unit))
    assert [(e.statistic, str(e.low)) for e in found if e.unit == "kgf"] == [("SEM", "1.8"), ("MDC", mdc)]


def test_an_error_found_for_some_values_covers_no_unknown_one() -> None:
    conditions = {"summary_rule": "mean-of-trials"}
    assert [e.unit for e in errors_of("grip-summary", conditions)] == ["N"]
    assert [e.unit for e in errors_of("grip-summary", conditions, Quantity(Decimal(20), "deg"))] == ["N"]


@pytest.mark.published(
    source="no acceptable smallest detectable change of finger goniometry in a review, pubmed 28389132"
)
@pytest.mark.parametrize("name", ["total-active-motion", "total-passive-motion", "touch-threshold-category"])
def test_no_error_is_made_up_for_a_composite(name) -> None:
    assert name in METRICS
    assert errors_of(name, {"mode": "active", "orthosis_state": "free"}) == ()


@pytest.mark.published(source="Schreuders et al., as cited in doi 10.1186/s12891-019-2623-z: 61 N is about 6.22 kg")
def test_the_error_printed_in_two_units_is_one() -> None:
    (error,) = (e for e in ERRORS["grip-summary"] if e.unit == "N")
    assert round(convert(error.low, "N", "kgf"), 2) == Decimal("6.22")


@given(st.fractions(0, 1000), st.integers(0, 8))
def test_exact_numbers_are_rounded_to_places_and_lose_no_more(exact, places) -> None:
    found = rounded(exact, places)
    assert abs(Fraction(found) - exact) <= Fraction(1, 2 * 10**places)
    assert int(found.as_tuple().exponent) <= 0
    assert Quantity(found, "%").number == found
