"""Total motion as percent of the other hand: only where it was marked, never without both totals."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.metric import Missing, Parameters, Result
from service.domain.metrics import METRICS

MARKED = Parameters(reference_for=frozenset({"right"}))


def percents(visits, parameters=MARKED, side="right") -> list[Result]:
    found = METRICS["percent-of-reference"].compute(visits.readings, visits.states, parameters)
    return [r for r in found if r.site.side == side]


def percent(visits, parameters=MARKED) -> Result:
    found = percents(visits, parameters)
    assert len(found) == 1
    return found[0]


@pytest.mark.check_values("tam_percent_contralateral")
def test_percent_of_the_other_side(row, visits) -> None:
    here, there = row.inputs["tam"], row.inputs["tam_contralateral"]
    visits.digit("right-index", f"0-0-{here - 120} 0-0-70 0-0-50")
    visits.digit("left-index", f"0-0-{there - 180} 0-0-100 0-0-80")
    result = percent(visits)
    row.check(result.number)
    assert [part.number for part in result.parts] == [here, there]
    assert all(part.parts for part in result.parts)
    assert result.value.unit == "%"


def test_a_percent_has_at_most_six_decimals(visits) -> None:
    visits.digit("right-index", "0-0-60 0-0-65 0-0-60")
    visits.digit("left-index", "0-0-90 0-0-100 0-0-70")
    assert str(percent(visits).number) == "71.153846"


def test_nothing_is_compared_with_a_hand_that_was_not_marked(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.digit("left-index", "0-0-80 0-0-90 0-0-60")
    result = percent(visits, Parameters())
    assert result.value.rule == "no-reference"
    assert [r.value.rule for r in percents(visits, side="left")] == ["no-reference"]


def test_the_reference_of_the_same_visit_comes_first_then_the_latest_before_then_the_first_after(visits) -> None:
    visits.digit("right-index", "0-0-50 0-0-50 0-0-50", 5)
    visits.digit("left-index", "0-0-100 0-0-100 0-0-100", 9)
    assert percent(visits).number == 50
    visits.digit("left-index", "0-0-100 0-0-50 0-0-50", 8)
    assert percent(visits).number == 75
    visits.digit("left-index", "0-0-50 0-0-50 0-0-50", 1)
    assert percent(visits).number == 100
    visits.digit("left-index", "0-0-100 0-0-100 0-0-50", 3)
    result = percent(visits)
    assert result.number == 60
    assert "reference side measured on 2026-03-03" in result.notes
    visits.digit("left-index", "0-0-90 0-0-70 0-0-40", 5)
    result = percent(visits)
    assert result.number == 75
    assert not any("reference side measured" in note for note in result.notes)


@pytest.mark.parametrize("field", [{"together": "unknown"}, {"orthosis_state": "unknown"}, {"treatment": "after"}])
def test_the_other_hand_measured_otherwise_is_no_reference(visits, field) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.digit("left-index", "0-0-80 0-0-90 0-0-60", **field)
    result = percent(visits)
    assert result.value.rule == "conditions-differ"
    assert next(iter(field)).replace("_", " ") in result.value.reason


def test_the_other_mode_is_no_reference(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.digit("left-index", "0-0-80 0-0-90 0-0-60", mode="passive")
    assert percent(visits).value.rule == "reference-not-measured"


def test_a_shortened_digit_is_compared_over_the_joints_it_has(visits) -> None:
    visits.state("right-index", "absent", level="dip")
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-70")
    visits.digit("left-index", "0-0-90 0-0-110 0-0-80")
    result = percent(visits)
    assert result.number == 75
    assert "over the joints both digits have: MCP PIP" in result.notes


def test_a_shortened_or_fused_reference_is_none(visits, fresh) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.joint("left-index-mcp", "0-0-80")
    visits.joint("left-index-pip", "0-0-80")
    visits.state("left-index", "absent", level="dip")
    assert percent(visits).value.rule == "joints-differ"
    visits.states.clear()
    visits.state("left-index-dip", "fused", angle="0")
    assert percent(visits).value.rule == "reference-fused"


def test_a_total_that_is_missing_has_no_percent_and_says_why(visits) -> None:
    visits.joint("right-index-mcp", "0-0-80")
    visits.digit("left-index", "0-0-80 0-0-90 0-0-60")
    result = percent(visits)
    assert result.value.rule == "not-measured"
    assert isinstance(result.parts[0].value, Missing)


def test_a_reference_without_a_result_says_why(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.joint("left-index-mcp", "0-0-80")
    assert percent(visits).value.rule == "not-measured"
    assert percent(visits).value.reason.startswith("The reference side has no result: ")


def test_a_reference_that_does_not_move_is_none(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.digit("left-index", "0-0-0 0-0-0 0-0-0")
    assert percent(visits).value.rule == "reference-zero"


@given(st.lists(st.integers(0, 90), min_size=3, max_size=3), st.lists(st.integers(1, 90), min_size=3, max_size=3))
def test_swapping_the_hands_swaps_the_result(fresh, here, there) -> None:
    one, other = fresh(), fresh()
    texts = [" ".join(f"0-0-{f}" for f in flexions) for flexions in (here, there)]
    one.digit("right-index", texts[0])
    one.digit("left-index", texts[1])
    other.digit("left-index", texts[0])
    other.digit("right-index", texts[1])
    mirrored = percents(other, Parameters(reference_for=frozenset({"left"})), "left")[0]
    assert percent(one).value == mirrored.value
    assert abs(percent(one).number - Decimal(100 * sum(here)) / sum(there)) <= Decimal("0.0000005")
