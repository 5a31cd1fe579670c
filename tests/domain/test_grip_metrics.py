"""Grip: the recorded value with its rule, its best trial, its spread, and the other hand."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS
from service.domain.units import convert

MARKED = Parameters(reference_for=frozenset({"right"}))


def one(visits, name, parameters=MARKED, side="right") -> Result:
    found = [r for r in METRICS[name].compute(visits.readings, (), parameters) if r.site.side == side]
    assert len(found) == 1
    return found[0]


@pytest.mark.check_values("grip_mean3")
def test_the_mean_of_three(row, visits) -> None:
    visits.grip("right", " ".join(map(str, row.inputs["trials"])))
    result = one(visits, "grip-summary")
    row.check(result.number)
    assert result.parameters["summary_rule"] == "mean-of-trials"
    assert [t.number for t in result.inputs[0].trials] == row.inputs["trials"]
    assert [part.metric for part in result.parts] == ["grip-best", "grip-variation"]
    assert result.parts[0].number == max(row.inputs["trials"])


@pytest.mark.check_values("grip_cv_percent_sample_sd")
def test_the_coefficient_of_variation_takes_the_sample_sd(row, visits) -> None:
    visits.grip("right", " ".join(map(str, row.inputs["trials"])))
    result = one(visits, "grip-variation")
    row.check(result.number)
    assert result.parameters["sd"] == "sample"
    assert "no sign of effort" in " ".join(result.notes)


@pytest.mark.check_values("grip_cv_percent_population_sd")
def test_the_coefficient_of_variation_is_not_that_of_the_population_sd(row, visits) -> None:
    visits.grip("right", " ".join(map(str, row.inputs["trials"])))
    found = one(visits, "grip-variation").number
    n = len(row.inputs["trials"])
    assert found > row.expected + row.allowed
    row.check(found * (Decimal(n - 1) / n).sqrt())


def test_no_result_calls_anybody_insincere() -> None:
    texts = " ".join(m.formula + m.caveat + m.title for m in METRICS.values()).lower()
    assert "insincere" not in texts.replace("sincere women", "").replace("sincere men", "")


@pytest.mark.parametrize(("trials", "rule"), [("", "too-few-trials"), ("30", "too-few-trials"), ("0 0 0", "zero-mean")])
def test_a_spread_needs_trials(visits, trials, rule) -> None:
    visits.grip("right", trials, value="" if trials else "30")
    assert one(visits, "grip-variation").value.rule == rule


def test_trials_not_recorded_are_said_so(visits) -> None:
    visits.grip("right", value="30")
    result = one(visits, "grip-summary")
    assert result.number == 30
    assert result.parameters["summary_rule"] == "single-value"
    assert "trials not recorded" in result.notes
    assert result.parts[0].value.rule == "no-trials"


def test_a_trial_stopped_for_pain_stays_with_its_reason(visits) -> None:
    visits.grip("right", "30 stopped-for-pain 20")
    result = one(visits, "grip-summary")
    assert result.number == 25
    assert result.counts == {"trials": 3, "trials-done": 2}
    assert "trial 2: begun and stopped because of pain" in result.notes


def test_no_trial_done_is_no_value(visits) -> None:
    visits.grip("right", "stopped-for-pain not-performed")
    visits.grip("left", "30 30 30")
    assert one(visits, "grip-summary").value.rule == "value-absent"
    assert one(visits, "grip-summary").value.reason.endswith("has no value: begun and stopped because of pain.")
    assert one(visits, "grip-ratio").value.rule == "value-absent"


def test_published_errors_go_with_the_mean_of_trials_only(visits) -> None:
    visits.grip("right", "30 31 32")
    visits.grip("left", "30 31 32", summary_rule="best-of-trials")
    assert [(e.statistic, str(e.low)) for e in one(visits, "grip-summary").errors] == [
        ("SEM", "1.8"), ("MDC", "5.1"), ("MDC", "61"),
    ]  # fmt: skip
    assert [e.unit for e in one(visits, "grip-summary", side="left").errors] == ["N"]
    assert one(visits, "grip-ratio").errors == ()


def test_the_ratio_needs_a_marked_hand(visits) -> None:
    visits.grip("right", "20 20 20")
    visits.grip("left", "40 40 40")
    result = one(visits, "grip-ratio")
    assert result.number == 50
    assert [part.number for part in result.parts] == [20, 40]
    assert "which hand is dominant is not known" in result.notes
    assert one(visits, "grip-ratio", Parameters()).value.rule == "no-reference"
    dominant = Parameters(reference_for=frozenset({"right"}), dominant="left")
    assert result.parameters["dominant"] == "unknown"
    assert "the left hand is dominant" in one(visits, "grip-ratio", dominant).notes
    assert one(visits, "grip-ratio", dominant).parameters["dominant"] == "left"


@pytest.mark.parametrize(
    "field", [{"handle_position": "3"}, {"posture": "standing"}, {"summary_rule": "best-of-trials"}]
)
def test_the_other_hand_tested_otherwise_is_no_reference(visits, field) -> None:
    visits.grip("right", "20 20 20")
    visits.grip("left", "40 40 40", **field)
    assert one(visits, "grip-ratio").value.rule == "conditions-differ"


def test_a_grip_of_0_is_no_reference(visits) -> None:
    visits.grip("right", "20 20 20")
    visits.grip("left", "0 0 0")
    assert one(visits, "grip-ratio").value.rule == "reference-zero"


def test_a_reference_of_another_day_is_named(visits) -> None:
    visits.grip("right", "20 20 20", 4)
    visits.grip("left", "40 40 40", 2)
    assert "reference side measured on 2026-03-02" in one(visits, "grip-ratio").notes


forces = st.decimals(5, 80, places=1)


@given(forces, forces, st.sampled_from(["kgf", "[lbf_av]", "N"]), st.sampled_from(["kgf", "[lbf_av]", "N"]))
def test_the_unit_of_entry_changes_no_ratio(fresh, here, there, unit_here, unit_there) -> None:
    plain, other = fresh(), fresh()
    plain.grip("right", value=str(here))
    plain.grip("left", value=str(there))
    other.grip("right", value=str(convert(here, "kgf", unit_here)), unit=unit_here)
    other.grip("left", value=str(convert(there, "kgf", unit_there)), unit=unit_there)
    # What was entered in another unit was itself rounded to six places.
    assert abs(one(plain, "grip-ratio").number - one(other, "grip-ratio").number) <= Decimal("0.001")


@given(st.lists(st.decimals(1, 80, places=1), min_size=2, max_size=5), st.sampled_from(["[lbf_av]", "N"]))
def test_the_unit_of_entry_changes_no_spread(fresh, trials, unit) -> None:
    plain, other = fresh(), fresh()
    plain.grip("right", " ".join(map(str, trials)))
    other.grip("right", " ".join(str(convert(t, "kgf", unit)) for t in trials), unit=unit)
    assert abs(one(plain, "grip-variation").number - one(other, "grip-variation").number) <= Decimal("0.001")


ORDINARY = [name for name in METRICS if name.startswith("grip-") and name != "grip-rapid-exchange"]


@pytest.mark.check_values("rapid_exchange_sign")
def test_the_sign_of_rapid_exchange_beside_static_grip(row, visits) -> None:
    """Only the sign is compared: what a study called it is no word of this record."""
    visits.grip("right", value=str(row.inputs["peak_static"]), protocol="static")
    visits.grip("right", value=str(row.inputs["peak_reg"]), protocol="rapid-exchange")
    result = one(visits, "grip-rapid-exchange")
    assert (result.number > 0) == (row.expected == "positive")
    assert row.expected not in str(result)


@pytest.mark.published(source="positive where the peak in rapid exchange exceeds the static one: Hildreth et al. 1989")
def test_rapid_exchange_above_static_grip_is_above_0(visits) -> None:
    visits.grip("right", "20 31 28", protocol="static")
    visits.grip("right", "30 33 32 25", protocol="rapid-exchange")
    result = one(visits, "grip-rapid-exchange")
    assert (result.number, result.value.unit) == (2, "kgf")
    assert [m.answer("protocol") for m in result.inputs] == ["rapid-exchange", "static"]
    assert "no sign of effort" in result.notes[0]
    assert result.errors == ()


def test_peaks_in_two_units_are_subtracted_in_the_unit_of_the_exchange(visits) -> None:
    visits.grip("right", "30", protocol="static")
    visits.grip("right", "55 66", unit="[lbf_av]", protocol="rapid-exchange")
    result = one(visits, "grip-rapid-exchange")
    assert result.value.unit == "[lbf_av]"
    assert abs(result.number - (66 - Decimal(30) / Decimal("0.45359237"))) < Decimal("0.000001")


@pytest.mark.parametrize(
    ("static", "rule"),
    [
        ({}, "static-not-tested"),
        ({"protocol": "static", "handle_position": "3"}, "static-not-tested"),
        ({"protocol": "static", "posture": "standing"}, "static-not-tested"),
        ({"protocol": "static", "orthosis_state": "in-orthosis"}, "static-not-tested"),
        ({"protocol": "static", "treatment": "after"}, "static-not-tested"),
    ],
)
def test_rapid_exchange_needs_a_static_test_under_the_same_conditions(visits, static, rule) -> None:
    visits.grip("right", "30 31", **static)
    visits.grip("right", "30 33", protocol="rapid-exchange")
    assert one(visits, "grip-rapid-exchange").value.rule == rule


def test_a_peak_needs_a_force(visits) -> None:
    visits.grip("right", "stopped-for-pain", protocol="static")
    visits.grip("right", "30 33", protocol="rapid-exchange")
    missing = one(visits, "grip-rapid-exchange").value
    assert (missing.rule, missing.reason) == (
        "no-trials",
        "The grip strength of the right hand has no force on record.",
    )


def test_a_rapid_exchange_without_a_force_has_no_peak(visits) -> None:
    visits.grip("right", "20 21", protocol="static")
    visits.grip("right", "not-performed", protocol="rapid-exchange")
    assert one(visits, "grip-rapid-exchange").value.rule == "no-trials"


def test_without_rapid_exchange_there_is_nothing_to_tell(visits) -> None:
    visits.grip("right", "30 31", protocol="static")
    assert METRICS["grip-rapid-exchange"].compute(visits.readings, (), MARKED) == ()


@pytest.mark.parametrize("name", ORDINARY)
def test_no_other_metric_of_grip_takes_a_rapid_exchange_for_a_grip(visits, name) -> None:
    visits.grip("left", "40 41 42", protocol="rapid-exchange")
    visits.grip("right", "20 21 22", protocol="rapid-exchange")
    for position in "12345":
        visits.grip("left", "30 31", 2, handle_position=position, protocol="rapid-exchange")
    assert METRICS[name].compute(visits.readings, (), MARKED) == ()
