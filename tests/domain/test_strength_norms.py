"""Strength against named tables, the five-position curve, both hands, and what dominance leads one to expect."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS
from service.domain.metrics.grip_expected import factor
from service.domain.norms import NORMS
from service.domain.norms.table import SEXES, age_on
from service.domain.units import UNITS
from service.errors import Invalid

SIDES = {"R": "right", "L": "left"}
SEX = {"M": "male", "F": "female"}


def one(visits, name, parameters, side="right") -> Result:
    found = [r for r in METRICS[name].compute(visits.readings, (), parameters) if r.site.side in (side, "both")]
    assert len(found) == 1
    return found[0]


def person(norm: str, sex: str, age: int) -> Parameters:
    """Somebody who turned that age a month before the first visit, 1 March 2026."""
    return Parameters(norm=norm, sex=sex, born=date(2026 - age, 2, 1))


def row_of(norm: str, sex: str, age: str, hand: str):
    youngest = int(age.rstrip("+").partition("-")[0])
    found = [
        r for r in NORMS[norm].rows if (r.sex, r.youngest) == (sex, youngest) and r.hand in ("", SIDES.get(hand, hand))
    ]
    assert len(found) == 1
    return found[0]


@pytest.mark.check_values("norm_1985_grip_lb")
def test_the_table_of_1985(row) -> None:
    found = row_of("grip-us-1985", SEX[row.inputs["sex"]], row.inputs["age"], row.inputs["hand"])
    assert (found.mean, found.sd) == (row.expected["mean"], row.expected["sd"]), row.source


@pytest.mark.check_values("norm_1985_tip_pinch_lb")
def test_the_table_of_tip_pinch(row) -> None:
    for sex, expected in row.expected.items():
        found = row_of("tip-pinch-us-1985", SEX[sex], row.inputs["age"], row.inputs["hand"])
        assert (found.mean, found.sd) == (expected["mean"], expected["sd"]), row.source


@pytest.mark.published(
    source="a printed copy of the 1985 tip pinch table has 17.4, another 17.6 for men of 30 to 34 years"
)
def test_a_row_on_which_copies_disagree_is_left_out(visits) -> None:
    visits.pinch("right", "8 8 8")
    assert one(visits, "pinch-z-score", person("tip-pinch-us-1985", "male", 32)).value.rule == "outside-norm"


@pytest.mark.check_values("norm_2011_grip_kg")
def test_the_table_of_2011_is_by_right_and_left(row) -> None:
    for hand, expected in row.expected.items():
        found = row_of("grip-australia-2011", SEX[row.inputs["sex"]], row.inputs["age"], hand)
        assert (found.mean, found.sd) == (expected["mean"], expected["sd"]), row.source


@pytest.mark.check_values("norm_2016_de_grip_kg")
def test_the_table_of_2016(row) -> None:
    found = row_of("grip-germany-2016", SEX[row.inputs["sex"]], row.inputs["age"], "")
    assert (found.mean, found.sd) == (row.expected["mean"], row.expected["sd"]), row.source


@pytest.mark.check_values("norm_z")
def test_z_score(row, visits) -> None:
    given_lb = row.inputs["value_lb"]
    visits.grip("right", f"{given_lb} {given_lb} {given_lb}", unit="[lbf_av]")
    result = one(visits, "grip-z-score", person("grip-us-1985", "male", 32))
    row.check(result.number)
    assert result.parameters == {
        "norm": "grip-us-1985",
        "people": NORMS["grip-us-1985"].people,
        "mean": "121.8",
        "sd": "22.4",
        "ages": "30-34",
        "sex": "male",
    }
    assert result.parts[0].metric == "grip-summary"
    assert "1985" in result.source.text


@pytest.mark.check_values("norm_percent_of_mean")
def test_percent_of_the_mean(row, visits) -> None:
    given_lb = row.inputs["value_lb"]
    visits.grip("right", f"{given_lb} {given_lb} {given_lb}", unit="[lbf_av]")
    row.check(one(visits, "grip-percent-of-norm", person("grip-us-1985", "male", 32)).number)


@pytest.mark.check_values("norm_2016_de_grip_z")
def test_z_score_in_the_german_table(row, visits) -> None:
    kilograms = row.inputs["kg"]
    visits.grip("left", f"{kilograms} {kilograms}", summary_rule="best-of-trials")
    row.check(one(visits, "grip-z-score", person("grip-germany-2016", "female", 27), "left").number)


@pytest.mark.published(source="tip pinch of women of 20 to 24 years, right: 11.1 (2.1), Mathiowetz 1985")
def test_pinch_beside_its_table(visits) -> None:
    visits.pinch("right", "11.1 11.1 11.1", unit="[lbf_av]")
    assert one(visits, "pinch-z-score", person("tip-pinch-us-1985", "female", 22)).number == 0
    assert one(visits, "pinch-percent-of-norm", person("tip-pinch-us-1985", "female", 22)).number == 100


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"norm": ""}, "no-table"),
        ({"sex": ""}, "person-unknown"),
        ({"sex": "other"}, "person-unknown"),
        ({"born": None}, "person-unknown"),
        ({"born": date(2008, 1, 1)}, "outside-norm"),
        ({"born": date(1920, 1, 1)}, "outside-norm"),
        ({"norm": "tip-pinch-us-1985"}, "norm-of-another-kind"),
        ({"norm": "grip-germany-2016"}, "norm-other-conditions"),
    ],
)
def test_a_norm_is_refused_outside_its_population(visits, change, rule) -> None:
    visits.grip("right", "30 30 30")
    asked = replace(person("grip-us-1985", "female", 40), **change)
    assert one(visits, "grip-z-score", asked).value.rule == rule
    assert one(visits, "grip-percent-of-norm", asked).value.rule == rule


@pytest.mark.parametrize(
    "field", [{"handle_position": "3"}, {"posture": "standing"}, {"summary_rule": "best-of-trials"}]
)
def test_a_grip_taken_otherwise_has_no_place_in_the_table(visits, field) -> None:
    visits.grip("right", "30 30 30", **field)
    result = one(visits, "grip-z-score", person("grip-us-1985", "female", 40))
    assert result.value.rule == "norm-other-conditions"
    assert next(iter(field.values())) in result.value.reason


def test_a_table_that_is_none_is_refused(visits) -> None:
    visits.grip("right", "30 30 30")
    with pytest.raises(Invalid, match="not a table of a norm"):
        one(visits, "grip-z-score", Parameters(norm="grip-of-nobody"))


@pytest.mark.parametrize("table", NORMS.values(), ids=lambda t: t.name)
def test_a_table_is_whole(table) -> None:
    assert NORMS[table.name] is table
    assert table.unit in UNITS
    assert table.people
    assert table.source.text
    seen = set()
    for row in table.rows:
        assert row.sex in SEXES
        assert row.hand in ("", "left", "right")
        assert 0 < row.sd < row.mean
        for age in range(row.youngest, row.oldest + 1):
            assert (row.sex, row.hand, age) not in seen
            seen.add((row.sex, row.hand, age))


@pytest.mark.published(source="a secondary copy of the 1985 table: SE 4.4 of 27 men is not SD 16.2 / sqrt(27) = 3.1")
def test_standard_errors_of_the_copy_are_not_used() -> None:
    row = row_of("grip-us-1985", "male", "25-29", "L")
    assert row.sd == Decimal("16.2")
    assert round(float(row.sd) / sqrt(27), 1) == 3.1 != 4.4


def test_age_is_in_whole_years() -> None:
    assert age_on(date(2000, 3, 2), date(2026, 3, 1)) == 25
    assert age_on(date(2000, 3, 1), date(2026, 3, 1)) == 26


@pytest.mark.check_values("five_position_sd")
def test_spread_of_the_five_position_curve(row, visits) -> None:
    for position, kilograms in enumerate(row.inputs["kg"], start=1):
        visits.grip("right", value=str(kilograms), handle_position=str(position))
    result = one(visits, "grip-five-positions", Parameters())
    row.check(result.number)
    assert [p.conditions["handle_position"] for p in result.parts] == list("12345")
    assert "largest at handle position 2" in result.notes
    assert "sensitivity of .70" in " ".join(result.notes)


def test_a_curve_needs_all_positions_once(visits) -> None:
    visits.grip("right", value="20", handle_position="1")
    assert METRICS["grip-five-positions"].compute(visits.readings, (), Parameters()) == ()
    visits.grip("right", value="30", handle_position="2")
    assert "position 3, 4, 5" in one(visits, "grip-five-positions", Parameters()).value.reason
    visits.grip("right", value="31", handle_position="2")
    assert one(visits, "grip-five-positions", Parameters()).value.rule == "read-twice"


@pytest.mark.check_values("nhanes_combined_grip_kg")
def test_combined_grip(row, visits) -> None:
    for side, name in (("left", "hand1"), ("right", "hand2")):
        visits.grip(side, " ".join(map(str, row.inputs[name])))
    result = one(visits, "grip-both-hands", Parameters())
    row.check(result.number)
    assert result.site.code == "both-hand"


def test_combined_grip_needs_the_trials_of_both_hands(visits) -> None:
    visits.grip("left", "30 31")
    assert METRICS["grip-both-hands"].compute(visits.readings, (), Parameters()) == ()
    visits.grip("right", value="30", summary_rule="mean-of-trials", trials="30")
    assert one(visits, "grip-both-hands", Parameters()).number == 61


@pytest.mark.check_values("dominance_rule_expected_kg")
def test_left_handed_people_are_expected_to_have_equal_hands(row, visits) -> None:
    visits.grip("left", "20 20 20")
    visits.grip("right", value=str(row.inputs["uninjured_kg"]), trials=f"{row.inputs['uninjured_kg']}")
    marked = Parameters(reference_for=frozenset({"left"}), dominant="left")
    row.check(one(visits, "grip-expected", marked, "left").number)


@pytest.mark.check_values("dominance_rule_expected_kg_variants")
def test_the_ten_per_cent_rule_divides(row, visits) -> None:
    visits.grip("left", "20 20 20")
    visits.grip("right", f"{row.inputs['uninjured_kg']}")
    marked = Parameters(reference_for=frozenset({"left"}), dominant="right")
    result = one(visits, "grip-expected", marked, "left")
    assert abs(result.number - row.expected["divide_by_1.1"]) < Decimal("1e-6")
    assert result.number != row.expected["times_0.9"]
    assert "12.72%" in " ".join(result.notes)


def test_nothing_is_expected_without_dominance_or_a_marked_hand(visits) -> None:
    visits.grip("left", "20 20 20")
    assert one(visits, "grip-expected", Parameters(dominant="left"), "left").value.rule == "no-reference"
    marked = Parameters(reference_for=frozenset({"left"}))
    assert one(visits, "grip-expected", marked, "left").value.rule == "dominance-unknown"
    known = replace(marked, dominant="left")
    assert one(visits, "grip-expected", known, "left").value.rule == "reference-not-measured"


@given(st.sampled_from(["left", "right"]))
def test_expectations_of_the_two_hands_fit(side) -> None:
    other = "left" if side == "right" else "right"
    assert factor(side, "right") * factor(other, "right") == 1
    assert factor(side, "left") == Fraction(1)


def test_pinch_has_what_grip_has(visits) -> None:
    visits.pinch("right", "7 8 9")
    visits.pinch("left", "10 10 10")
    visits.pinch("left", "5 5 5", pinch="key")
    marked = Parameters(reference_for=frozenset({"right"}))
    assert one(visits, "pinch-ratio", marked).number == 80
    assert [p.metric for p in one(visits, "pinch-summary", marked).parts] == ["pinch-best", "pinch-variation"]
    assert one(visits, "pinch-best", marked).number == 9
    assert one(visits, "pinch-variation", marked).number == Decimal("12.5")


def test_what_is_expected_stands_with_both_tests_and_says_what_it_was_made_from(visits) -> None:
    visits.grip("left", "20 stopped-for-pain 20")
    visits.grip("right", "44 44 44")
    marked = Parameters(reference_for=frozenset({"left"}), dominant="right")
    result = one(visits, "grip-expected", marked, "left")
    assert [(p.site.side, p.number) for p in result.parts] == [("left", 20), ("right", 44)]
    assert [m.site.side for m in result.inputs] == ["left", "right"]
    assert result.parameters == {"dominant": "right", "reference": "right"}
    assert (result.site.code, result.visit) == ("left-hand", "Encounter/1")
    assert "trial 2: begun and stopped because of pain" in result.notes
    unknown = one(visits, "grip-expected", replace(marked, dominant=""), "left")
    assert unknown.value.reason == "Which hand is dominant is not known."
    assert unknown.parameters["dominant"] == "unknown"
    assert [p.site.side for p in unknown.parts] == ["left"]
    other = one(visits, "grip-expected", marked, "right")
    assert (other.value.rule, len(other.parts)) == ("no-reference", 1)
