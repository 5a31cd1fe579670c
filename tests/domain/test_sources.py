"""Every metric has a check whose expectation comes from outside this project; the table says where it stands."""

from __future__ import annotations

import ast
from decimal import Decimal
from pathlib import Path

import pytest

from service.domain.metric import Parameters
from service.domain.metrics import METRICS

HERE = Path(__file__).parent
MARKED = Parameters(reference_for=frozenset({"right"}))

CHECKED = {
    "arc-of-motion": "test_reporting::test_active_and_passive_are_never_mixed",
    "total-active-motion": "test_total_motion::test_total_active_motion_of_a_finger",
    "total-passive-motion": "test_total_motion::test_total_passive_motion_of_a_finger",
    "percent-of-reference": "test_percent_of_reference::test_percent_of_the_other_side",
    "percent-of-norm": "test_grades::test_percent_of_the_norm_of_a_thumb",
    "total-motion-grade": "test_grades::test_grade_of_total_motion_by_percent",
    "extension-deficit-sum": "test_grades::test_sum_of_deficits_and_the_gap_to_the_other_hand",
    "composite-flexion-gap": "test_grades::test_sum_of_deficits_and_the_gap_to_the_other_hand",
    "interphalangeal-percent": "test_grades::test_percent_of_175",
    "strickland-grade": "test_grades::test_original_grade",
    "strickland-adjusted-grade": "test_grades::test_adjusted_grade",
    "buck-gramcko-finger": "test_grades::test_points_of_a_finger",
    "buck-gramcko-thumb": "test_grades::test_points_of_a_thumb",
    "louisville-grade": "test_grades::test_louisville",
    "active-passive-difference": "test_motion_patterns::test_lag_of_extension",
    "lag-pattern": "test_motion_patterns::test_the_limits_of_a_pattern_come_from_a_published_error",
    "clawing-index": "test_sources::test_hyperextension_of_healthy_hands_stands_beside_a_clawing_index",
    "tip-travel": "test_motion_patterns::test_travel_of_a_tip",
    "tightness-difference": "test_motion_patterns::test_intrinsic_and_extrinsic_tightness",
    "torque-angle-slope": "test_motion_patterns::test_slope_of_torque_and_angle",
    "limb-arc": "test_motion_patterns::test_arcs_of_the_arm",
    "grip-summary": "test_grip_metrics::test_the_mean_of_three",
    "grip-best": "test_strength_norms::test_combined_grip",
    "grip-variation": "test_grip_metrics::test_the_coefficient_of_variation_takes_the_sample_sd",
    "grip-ratio": "test_sources::test_ratio_of_the_published_mean_grips",
    "grip-five-positions": "test_strength_norms::test_spread_of_the_five_position_curve",
    "grip-rapid-exchange": "test_grip_metrics::test_the_sign_of_rapid_exchange_beside_static_grip",
    "grip-expected": "test_strength_norms::test_the_ten_per_cent_rule_divides",
    "grip-both-hands": "test_strength_norms::test_combined_grip",
    "grip-z-score": "test_strength_norms::test_z_score",
    "grip-percent-of-norm": "test_strength_norms::test_percent_of_the_mean",
    "pinch-summary": "test_sources::test_mean_and_best_of_pinch_are_made_as_those_of_grip",
    "pinch-best": "test_sources::test_mean_and_best_of_pinch_are_made_as_those_of_grip",
    "pinch-variation": "test_outside_statistics::test_spread_of_trials",
    "pinch-ratio": "test_sources::test_ratio_of_pinches_of_two_units",
    "pinch-z-score": "test_strength_norms::test_pinch_beside_its_table",
    "pinch-percent-of-norm": "test_strength_norms::test_pinch_beside_its_table",
    "touch-threshold-category": "test_touch_metrics::test_category_of_a_marking",
    "touch-threshold-hand": "test_sources::test_a_hand_has_the_category_of_its_worst_zone",
    "touch-threshold-nerve": "test_sensation_metrics::test_a_nerve_has_the_category_of_its_worst_zone",
    "two-point-band": "test_sensation_metrics::test_band_of_still_points",
    "sensory-grade": "test_sensation_metrics::test_sensory_grade_by_two_points",
    "motor-grade-nerve": "test_sensation_metrics::test_the_lowest_muscle_grade_of_a_nerve",
    "nerve-outcome": "test_sensation_metrics::test_outcome_of_a_nerve_repair",
    "hand-volume-difference": "test_sensation_metrics::test_volume_beside_the_other_hand",
    "questionnaire-result": "test_sensation_metrics::test_the_printed_example_of_a_score",
}
"""By metric: the module and the test."""


def test_no_metric_is_left_out() -> None:
    assert set(CHECKED) == set(METRICS)


@pytest.mark.parametrize("metric", CHECKED)
def test_the_check_is_there_and_names_its_source(metric: str) -> None:
    module, name = CHECKED[metric].split("::")
    tree = ast.parse((HERE / f"{module}.py").read_text(encoding="utf-8"))
    (found,) = (f for f in ast.walk(tree) if isinstance(f, ast.FunctionDef) and f.name == name)
    marks = " ".join(ast.unparse(each) for each in found.decorator_list)
    assert "mark.published" in marks or "mark.check_values" in marks, marks


def only(visits, name: str, side: str = "right"):
    (found,) = (r for r in METRICS[name].compute(visits.readings, (), MARKED) if r.site.side == side)
    return found


@pytest.mark.published(source="e-hand.com/nor/nor002: MCP joints of healthy fingers hyperextend by 0 to 45 degrees")
def test_hyperextension_of_healthy_hands_stands_beside_a_clawing_index(visits) -> None:
    visits.joint("right-little-mcp", "45-0-90")
    visits.joint("right-little-pip", "0-0-100")
    found = only(visits, "clawing-index")
    assert found.number == 45
    assert any("up to 45 degrees" in note and "healthy" in note for note in found.notes)


@pytest.mark.check_values("norm_1985_grip_lb")
def test_ratio_of_the_published_mean_grips(row, visits) -> None:
    """The mean of each group of the 1985 table beside a hand of 100 pounds-force: the quotient is the mean itself."""
    visits.grip("right", value=str(row.expected["mean"]), unit="[lbf_av]")
    visits.grip("left", value="100", unit="[lbf_av]")
    assert only(visits, "grip-ratio").number == row.expected["mean"]


@pytest.mark.published(
    source="78.3 N is 17.6 lb: a public document that prints tip pinch of men 30-34 of 1985 in newtons"
)
def test_ratio_of_pinches_of_two_units(visits) -> None:
    visits.pinch("right", "78.3 78.3 78.3", unit="N")
    visits.pinch("left", "17.6 17.6 17.6", unit="[lbf_av]")
    assert abs(only(visits, "pinch-ratio").number - 100) < Decimal("0.05")


@pytest.mark.check_values("grip_mean3")
def test_mean_and_best_of_pinch_are_made_as_those_of_grip(row, visits) -> None:
    """The published rule of three trials, Mathiowetz et al. 1984, is one for grip and pinch."""
    visits.pinch("right", " ".join(map(str, row.inputs["trials"])))
    row.check(only(visits, "pinch-summary").number)
    assert only(visits, "pinch-best").number == max(row.inputs["trials"])


@pytest.mark.check_values("monofilament_category_hand")
def test_a_hand_has_the_category_of_its_worst_zone(row, visits) -> None:
    """The category of each marking is published; the worst of the zones is a rule of this project."""
    visits.touch("right-thumb-tip", "2.83")
    visits.touch("right-index-tip", _marking(row.inputs["marking"]))
    visits.touch("right-little-tip", "1.65")
    found = only(visits, "touch-threshold-hand")
    (index,) = (p for p in found.parts if p.site.key == "index-tip")
    assert found.value == index.value
    assert sum(found.counts.values()) == 3


def _marking(number: Decimal) -> str:
    return f"{number:.2f}"
