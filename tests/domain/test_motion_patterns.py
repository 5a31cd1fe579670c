"""What joints show beside their totals: lag, clawing, tightness, travel of a tip, torque and angle, arcs of the arm."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.measurement import Coded, Quantity
from service.domain.metric import Missing, Parameters, Result
from service.domain.metrics import METRICS, torque_angle_slope
from service.domain.metrics.lag_pattern import NONE, SURE


def one(visits, name) -> Result:
    found = METRICS[name].compute(visits.readings, visits.states, Parameters())
    assert len(found) == 1
    return found[0]


def lag(visits, active: str, passive: str, motion: str = "extension-deficit", site: str = "right-index-pip") -> Result:
    visits.end(site, motion, active)
    visits.end(site, motion, passive, mode="passive")
    return one(visits, "lag-pattern")


@pytest.mark.check_values("lag_deg_extension")
def test_lag_of_extension(row, visits) -> None:
    result = lag(visits, str(row.inputs["active_ext_deficit"]), str(row.inputs["passive_ext_deficit"]))
    row.check(result.parts[0].number)
    assert result.parts[0].metric == "active-passive-difference"


@pytest.mark.check_values("lag_deg_flexion")
def test_lag_of_flexion(row, visits) -> None:
    result = lag(visits, str(row.inputs["active_flex"]), str(row.inputs["passive_flex"]), "flexion")
    row.check(result.parts[0].number)


@pytest.mark.parametrize(
    ("active", "passive", "code"),
    [
        ("35", "0", "active-less"),
        ("35", "35", "passive-limited"),
        ("60", "30", "both"),
        ("3", "0", "neither"),
        ("10", "0", "cannot-be-told"),
        ("10", "8", "cannot-be-told"),
    ],
)
def test_what_a_lag_may_suggest_has_a_reason(visits, active, passive, code) -> None:
    result = lag(visits, active, passive)
    assert result.value == Coded(code)
    words = " ".join(result.notes)
    assert ("may suggest" in words) == (code in ("active-less", "passive-limited", "both"))
    assert "not a diagnosis" in words


@pytest.mark.published(
    source="SEM up to 4.9 degrees, BMC Musculoskelet Disord 2013;14:17; MDC95 = 1.96 x sqrt(2) x SEM"
)
def test_the_limits_of_a_pattern_come_from_a_published_error() -> None:
    assert Decimal("4.9") == NONE
    assert round(Decimal("1.96") * Decimal(2).sqrt() * NONE, 1) == SURE


@pytest.mark.published(source="AAOS normal ranges: PIP 100, thumb MP 50 degrees of flexion")
@pytest.mark.parametrize(("site", "passive"), [("right-index-pip", "70"), ("right-thumb-mcp", "20")])
def test_limited_flexion_is_told_against_normal_flexion(visits, site, passive) -> None:
    result = lag(visits, passive, passive, "flexion", site)
    assert result.value == Coded("passive-limited")
    assert "30 degrees short of whole passive flexion" in result.notes


def test_without_passive_motion_there_is_no_pattern(visits) -> None:
    visits.end("right-index-pip", "extension-deficit", "30")
    assert one(visits, "lag-pattern").value.rule == "not-measured"


def test_clawing_is_hyperextension_with_a_deficit_beyond_it(visits) -> None:
    visits.digit("right-little", "25-0-80 0-40-95 0-0-60")
    result = one(visits, "clawing-index")
    assert result.number == 65
    assert [(p.site.key, p.metric) for p in result.parts] == [
        ("little-mcp", "arc-of-motion"),
        ("little-pip", "arc-of-motion"),
    ]
    assert result.source.status == "project rule"


@pytest.mark.parametrize(("arcs", "amount"), [("0-0-80 0-0-95 0-0-60", 0), ("0-10-80 5-0-95 0-0-60", 0)])
def test_a_finger_that_stretches_straight_does_not_claw(visits, arcs, amount) -> None:
    visits.digit("right-little", arcs)
    assert one(visits, "clawing-index").number == amount


def test_clawing_needs_both_joints_in_one_position(visits) -> None:
    visits.joint("right-little-mcp", "25-0-80")
    assert one(visits, "clawing-index").value.rule == "not-measured"
    visits.joint("right-little-pip", "0-40-95", together="alone")
    assert one(visits, "clawing-index").value.rule == "not-together"
    visits.state("right-little-pip", "fused", angle="20")
    assert one(visits, "clawing-index").value.rule == "part-fused"


def tightness(visits, bent: str, straight: str) -> Result:
    for held, degrees in (("mcp-flexed", bent), ("mcp-extended", straight)):
        visits.say("tightness", "right-index-pip", degrees, "deg", motion="flexion", neighbour=held)
    return one(visits, "tightness-difference")


@pytest.mark.check_values("intrinsic_extrinsic_test")
def test_intrinsic_and_extrinsic_tightness(row, visits) -> None:
    bent, straight = (str(row.inputs[f"PIP_passive_flex_MCP_{how}"]) for how in ("flexed", "extended"))
    result = tightness(visits, bent, straight)
    assert result.number == row.expected["difference"]
    words = {"intrinsic": "intrinsic muscles", "extrinsic_extensor": "extrinsic extensors", "joint_or_capsule": "joint"}
    assert words[row.expected["pattern"]] in result.notes[0]
    assert "not a diagnosis" in " ".join(result.notes)


@pytest.mark.parametrize(("bent", "about"), [("60", True), ("61", False), ("40", True), ("39", False)])
def test_ten_degrees_are_not_yet_put_in_words(visits, bent, about) -> None:
    assert tightness(visits, bent, "50").notes[0].startswith("bends about") == about


def test_tightness_needs_both_positions_once(visits) -> None:
    visits.say("tightness", "right-index-pip", "90", "deg", motion="flexion", neighbour="mcp-flexed")
    assert one(visits, "tightness-difference").value.rule == "not-measured"
    tightness(visits, "80", "50")
    assert one(visits, "tightness-difference").value.rule == "read-twice"


@pytest.mark.check_values("delta_finger_to_palm_cm")
def test_travel_of_a_tip(row, visits) -> None:
    for reach in ("extended", "flexed"):
        cm = str(row.inputs[f"{reach}_cm"])
        visits.say("tip-to-palm", "right-index", cm, "cm", reach=reach, mode="active")
    row.check(one(visits, "tip-travel").number)


def test_travel_needs_both_ends_and_takes_either_unit(visits) -> None:
    visits.say("tip-to-palm", "right-index", "95", "mm", reach="extended", mode="active")
    assert one(visits, "tip-travel").value.rule == "not-measured"
    visits.say("tip-to-palm", "right-index", "1.0", "cm", reach="flexed", mode="active")
    assert one(visits, "tip-travel").value == Quantity(Decimal("8.5"), "cm")
    visits.say("tip-to-palm", "right-index", "2.0", "cm", reach="flexed", mode="active")
    assert one(visits, "tip-travel").value.rule == "read-twice"


def point(visits, force: str, lever: str, degrees: str) -> None:
    fields = {"motion": "extension-deficit", "force": force, "lever_arm": lever}
    visits.say("torque-angle", "right-index-pip", degrees, "deg", **fields)


@pytest.mark.check_values("torque_N_m")
def test_torque_is_force_times_distance(row, visits) -> None:
    point(visits, f"{row.inputs['force_g']} gf", f"{row.inputs['lever_cm']} cm", "30")
    row.check(Decimal(float(torque_angle_slope.torque_of(visits.readings[0]))))


@pytest.mark.check_values("torque_angle_slope_deg_per_Nm")
def test_slope_of_torque_and_angle(row, visits) -> None:
    points = [(Fraction(x), Fraction(y)) for x, y in zip(row.inputs["torque_Nm"], row.inputs["angle_deg"], strict=True)]
    row.check(torque_angle_slope.slope_of(points).number)
    for torque, angle in zip(row.inputs["torque_Nm"], row.inputs["angle_deg"], strict=True):
        point(visits, f"{torque * 100} N", "1 cm", str(-angle))
    result = one(visits, "torque-angle-slope")
    row.check(result.number)
    assert result.counts == {"points": 4}


def test_one_torque_has_no_slope(visits) -> None:
    point(visits, "200 gf", "2.5 cm", "40")
    point(visits, "0.2 kgf", "25 mm", "41")
    assert one(visits, "torque-angle-slope").value.rule == "too-few-points"


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(-60, 60)), min_size=2, max_size=6), st.integers(-20, 20))
def test_a_slope_does_not_feel_where_angles_are_counted_from(points, shift) -> None:
    exact = [(Fraction(x), Fraction(y)) for x, y in points]
    moved = [(x, y + shift) for x, y in exact]
    assert torque_angle_slope.slope_of(exact) == torque_angle_slope.slope_of(moved)


@pytest.mark.published(source="neutral-zero method: 60-0-70 is an arc of 130, 0-20-70 one of 50 (Hahn 2016)")
@pytest.mark.parametrize(
    ("site", "order", "text", "arc", "degrees"),
    [
        ("right-wrist", "extension-flexion", "60-0-70", "flexion-extension", 130),
        ("right-wrist", "extension-flexion", "0-20-70", "flexion-extension", 50),
        ("right-wrist", "radial-deviation-ulnar-deviation", "20-0-30", "radial-deviation-ulnar-deviation", 50),
        ("left-forearm", "pronation-supination", "80-0-70", "pronation-supination", 150),
        ("left-elbow", "extension-flexion", "5-0-140", "flexion-extension", 145),
    ],
)
def test_arcs_of_the_arm(visits, site, order, text, arc, degrees) -> None:
    visits.joint(site, text, motion=order, together="unknown")
    result = one(visits, "limb-arc")
    assert (result.number, result.conditions["arc"]) == (degrees, arc)
    assert len(result.inputs) == 2


def test_an_arc_of_the_arm_has_both_its_ends(visits) -> None:
    visits.end("right-wrist", "flexion", "60", together="unknown")
    assert one(visits, "limb-arc").value.rule == "not-measured"
    visits.end("right-wrist", "extension", "50", together="unknown")
    assert one(visits, "limb-arc").number == 110
    visits.end("right-wrist", "extension", "40", together="unknown")
    assert one(visits, "limb-arc").value.rule == "read-twice"
    visits.state("right-wrist", "fused", angle="10")
    assert isinstance(one(visits, "limb-arc").value, Missing)


def test_arcs_of_two_planes_and_modes_stay_apart(visits) -> None:
    visits.joint("right-wrist", "60-0-70", together="unknown")
    visits.joint("right-wrist", "70-0-75", mode="passive", together="unknown")
    visits.joint("right-wrist", "20-0-30", motion="radial-deviation-ulnar-deviation", together="unknown")
    found = METRICS["limb-arc"].compute(visits.readings, (), Parameters())
    assert [(r.conditions["mode"], r.number) for r in found] == [("active", 130), ("passive", 145), ("active", 50)]


def test_tightness_before_and_after_treatment_and_of_extension_stay_apart(visits) -> None:
    for treatment, straight in (("before", "50"), ("after", "70")):
        for held, degrees in (("mcp-flexed", "90"), ("mcp-extended", straight)):
            fields = {"motion": "flexion", "neighbour": held, "treatment": treatment}
            visits.say("tightness", "right-index-pip", degrees, "deg", **fields)
    visits.say("tightness", "right-index-pip", "10", "deg", motion="extension-deficit", neighbour="mcp-flexed")
    visits.say("tightness", "right-index-pip", "80", "deg", motion="flexion", neighbour="wrist-flexed")
    visits.say("tightness", "right-index-dip", "60", "deg", motion="flexion", neighbour="mcp-flexed")
    found = METRICS["tightness-difference"].compute(visits.readings, (), Parameters())
    assert [(r.conditions["treatment"], r.number, r.site.key) for r in found] == [
        ("before", 40, "index-pip"),
        ("after", 20, "index-pip"),
    ]


def test_a_missing_position_of_a_tightness_test_is_named(visits) -> None:
    visits.say("tightness", "right-index-pip", "90", "deg", motion="flexion", neighbour="mcp-flexed")
    result = one(visits, "tightness-difference")
    assert result.value.reason == "Flexion with the MCP straight was read not at all."
    assert result.site.code == "right-index-pip"
    visits.say("tightness", "right-index-pip", "80", "deg", motion="flexion", neighbour="mcp-flexed")
    reason = "Flexion with the MCP bent was read more than once, with different values."
    assert one(visits, "tightness-difference").value.reason == reason


def test_curves_of_two_directions_and_positions_of_neighbours_stay_apart(visits) -> None:
    for motion, held, degrees in (
        ("extension-deficit", "wrist straight", ("40", "30")),
        ("extension-deficit", "wrist bent", ("40", "20")),
        ("flexion", "wrist straight", ("60", "70")),
    ):
        for force, angle in zip(("1 N", "2 N"), degrees, strict=True):
            fields = {"motion": motion, "force": force, "lever_arm": "10 cm", "neighbours_held": held}
            visits.say("torque-angle", "right-index-pip", angle, "deg", **fields)
    found = METRICS["torque-angle-slope"].compute(visits.readings, (), Parameters())
    assert [(r.conditions["direction"], r.conditions["neighbours_held"], r.number) for r in found] == [
        ("extension", "wrist straight", 100),
        ("extension", "wrist bent", 200),
        ("flexion", "wrist straight", 100),
    ]
    assert {r.site.code for r in found} == {"right-index-pip"}
    assert {r.visit for r in found} == {"Encounter/1"}


def test_an_angle_without_a_number_is_no_point(visits) -> None:
    point(visits, "1 N", "10 cm", "40")
    fields = {"motion": "extension-deficit", "force": "2 N", "lever_arm": "10 cm"}
    visits.say("torque-angle", "right-index-pip", "stopped-for-pain", "deg", **fields)
    result = one(visits, "torque-angle-slope")
    assert (result.counts, result.site.code) == ({"points": 1}, "right-index-pip")
    assert result.value.reason == "A slope needs angles under at least two different torques."


def test_reasons_of_an_arc_of_the_arm_are_whole_sentences(visits) -> None:
    visits.end("right-wrist", "radial-deviation", "20", together="unknown")
    result = one(visits, "limb-arc")
    assert result.value.reason == "Ulnar deviation of the right wrist has no value at this visit."
    visits.end("right-wrist", "ulnar-deviation", "30", together="unknown")
    visits.end("right-wrist", "ulnar-deviation", "25", together="unknown")
    reason = "Ulnar deviation of the right wrist was read more than once, with different values."
    assert one(visits, "limb-arc").value.reason == reason
    visits.state("right-wrist", "fused", angle="10")
    fused = one(visits, "limb-arc")
    assert (fused.value.rule, fused.value.reason) == (
        "part-lacking",
        "The right wrist does not move: right wrist fused.",
    )
    assert fused.site.code == "right-wrist"


@pytest.mark.parametrize(("angle", "words"), [("20", "at 20 degrees"), ("", "at an angle not recorded")])
def test_a_fused_joint_says_at_which_angle_and_an_absent_one_at_which_level(visits, angle, words) -> None:
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("left-index-mcp", "0-0-80")
    visits.state("right-index-pip", "fused", angle=angle)
    visits.state("left-index", "absent", level="middle-phalanx")
    right, left = METRICS["total-active-motion"].compute(visits.readings, visits.states, Parameters())
    pip = right.parts[1]
    assert (pip.number, pip.value.unit) == (0, "deg")
    assert pip.notes == (f"right PIP joint of the index finger fused {words}: contributes 0",)
    dip = left.parts[2]
    assert dip.value.reason == (
        "The left DIP joint of the index finger is not there: left index finger absent at the level of the middle "
        "phalanx."
    )


def test_a_pattern_stands_with_the_difference_and_both_readings(visits) -> None:
    result = lag(visits, "60", "30")
    assert [(p.metric, p.number) for p in result.parts] == [("active-passive-difference", 30)]
    assert [m.answer("mode") for m in result.inputs] == ["active", "passive"]
    assert (result.visit, result.site.code) == ("Encounter/1", "right-index-pip")
    assert result.notes[:2] == (
        "30 degrees short of whole passive extension",
        "may suggest the joint together with tendon glide, weakness or pain",
    )


@pytest.mark.parametrize(
    ("active", "code"),
    [("4.9", "neither"), ("5", "cannot-be-told"), ("13.6", "cannot-be-told"), ("13.7", "active-less")],
)
def test_the_limits_themselves_are_not_beyond_error(visits, active, code) -> None:
    assert lag(visits, active, "0").value == Coded(code)
