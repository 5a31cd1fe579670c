"""What every declaration of a metric, and every result, must keep to."""

from __future__ import annotations

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
    "active-passive-difference": 1,
    "grip-summary": 1,
    "grip-best": 1,
    "grip-variation": 1,
    "grip-ratio": 1,
    "touch-threshold-category": 1,
    "touch-threshold-hand": 1,
}
EACH = pytest.mark.parametrize("metric", METRICS.values(), ids=lambda m: m.name)


@pytest.fixture
def full(visits):
    """A record that gives every metric something to do, and something missing."""
    for day in (1, 8):
        visits.digit("right-index", "0-0-80 0-20-90 0-0-60", day)
        visits.digit("right-index", "0-0-85 0-10-95 0-0-60", day, mode="passive")
        visits.digit("left-index", "0-0-90 0-0-100 0-0-70", day)
        visits.joint("right-ring-pip", "0-0-90", day)
        visits.grip("right", "20 22 21", day)
        visits.grip("left", "40 stopped-for-pain 41", day)
        visits.touch("right-index-tip", "3.61", day)
        visits.touch("right-palm", "not-performed", day)
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


@EACH
def test_a_result_says_what_it_rests_on(metric, full) -> None:
    parameters = Parameters(reference_for=frozenset({"right"}))
    found = metric.compute(full.readings, full.states, parameters)
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
def test_nothing_in_gives_nothing_out(metric) -> None:
    assert metric.compute([], [], Parameters()) == ()


@EACH
def test_the_same_readings_give_the_same_results(metric, full) -> None:
    given_twice = [metric.compute(full.readings, full.states, Parameters()) for _ in range(2)]
    assert given_twice[0] == given_twice[1]


@EACH
def test_results_of_one_visit_do_not_depend_on_another(metric, full) -> None:
    first = [m for m in full.readings if m.circumstances.encounter == "Encounter/1"]
    alone = metric.compute(first, full.states, Parameters())
    both = metric.compute(full.readings, full.states, Parameters())
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
    assert found == [(weak, "1.8"), (weak, "4.9"), (strong, "1.8"), (strong, "5.1")]


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
