"""Total active and passive motion of a digit, and the arcs of the joints they are made of."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.metric import Missing, Parameters, Result
from service.domain.metrics import METRICS

ASSH = "ASSH Clinical Assessment Committee; Kleinert & Verdan, J Hand Surg Am 1983;8:794-798"
JOINTS = {"MCP": "mcp", "MP": "mcp", "PIP": "pip", "DIP": "dip", "IP": "ip"}


def total(visits, mode="active", **parameters) -> Result:
    """The one total of a record that has one."""
    found = METRICS[f"total-{mode}-motion"].compute(visits.readings, visits.states, Parameters(**parameters))
    assert len(found) == 1
    return found[0]


def rule(result: Result) -> str:
    assert isinstance(result.value, Missing), result.value
    return result.value.rule


def fill(visits, digit: str, inputs, mode="active") -> None:
    """The ends of the arcs as a row of check values gives them."""
    names = {"flex": "flexion", "ext_deficit": "extension-deficit", "hyperext": "hyperextension"}
    for group, ends in inputs.items():
        for joint, amount in ends.items():
            visits.end(f"right-{digit}-{JOINTS[joint]}", names[group], str(amount), mode=mode)


@pytest.mark.check_values("tam_finger_deg", "tam_finger_deg_hyperextension_ignored")
def test_total_active_motion_of_a_finger(row, visits) -> None:
    fill(visits, "index", row.inputs)
    row.check(total(visits).number)


@pytest.mark.check_values("tam_finger_deg_hyperextension_as_deficit")
def test_hyperextension_as_deficit_is_a_named_policy(row, visits) -> None:
    fill(visits, "index", row.inputs)
    result = total(visits, hyperextension="deficit")
    row.check(result.number)
    assert result.parameters["hyperextension"] == "deficit"
    assert total(visits).number != result.number
    assert total(visits).parameters["hyperextension"] == "ignore"


@pytest.mark.check_values("tpm_finger_deg")
def test_total_passive_motion_of_a_finger(row, visits) -> None:
    fill(visits, "index", row.inputs, mode="passive")
    row.check(total(visits, "passive").number)
    assert METRICS["total-active-motion"].compute(visits.readings, (), Parameters()) == ()


@pytest.mark.check_values("tam_thumb_deg")
def test_total_active_motion_of_the_thumb(row, visits) -> None:
    fill(visits, "thumb", row.inputs)
    row.check(total(visits).number)


@pytest.mark.published(source=f"{ASSH}; example printed at therapyedotr.examzify.com, whose text adds a spurious - 1")
def test_the_printed_example_is_125(visits) -> None:
    visits.joint("right-index-mcp", "0-0-45")
    visits.joint("right-index-pip", "0-10-60")
    visits.joint("right-index-dip", "0-10-40")
    assert total(visits).number == 125


@pytest.mark.published(source=f"{ASSH}; two public pages print the subtraction the wrong way round")
def test_a_deficit_lowers_the_total_and_the_total_is_not_negative(visits, fresh) -> None:
    visits.digit("right-ring", "0-0-80 0-30-90 0-0-60")
    straight = fresh()
    straight.digit("right-ring", "0-0-80 0-0-90 0-0-60")
    assert total(visits).number == total(straight).number - 30 == 200


def test_the_joints_travel_with_the_total(visits) -> None:
    visits.digit("left-middle", "0-0-85 0-25-90 0-10-40")
    result = total(visits)
    assert [(part.site.code, part.number) for part in result.parts] == [
        ("left-middle-mcp", 85),
        ("left-middle-pip", 65),
        ("left-middle-dip", 30),
    ]
    for part in result.parts:
        assert {m.answer("motion") for m in part.inputs} == {"flexion", "extension-deficit"}
    assert {m.circumstances.id for m in result.inputs} == {m.circumstances.id for m in visits.readings}
    assert result.metric in METRICS
    assert result.version == 1
    assert result.source.status == "published"
    assert result.errors == ()
    assert result.notes == ()
    assert result.parameters == {"hyperextension": "ignore"}


def test_an_arc_carries_the_error_published_for_active_motion_only(visits) -> None:
    visits.digit("right-index", "0-0-85 0-25-90 0-10-40")
    visits.digit("right-index", "0-0-90 0-10-95 0-0-50", mode="passive")
    active, passive = (total(visits, mode).parts[0].errors for mode in ("active", "passive"))
    assert {e.statistic for e in active} == {"SEM", "MDC"}
    assert all(e.population and e.raters and e.method and e.source for e in active)
    assert passive == ()


def test_positions_not_recorded_are_said_so(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60", together="unknown")
    result = total(visits)
    assert result.number == 230
    assert any(note.startswith("position not recorded") for note in result.notes)


@pytest.mark.parametrize("how", ["alone", "blocked"])
def test_joints_measured_one_by_one_have_no_sum(visits, how) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60", together=how)
    result = total(visits)
    assert rule(result) == "not-together"
    assert how in result.value.reason
    assert [part.number for part in result.parts] == [80, 90, 60]


def test_mixed_positions_have_no_sum(visits) -> None:
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    visits.joint("right-index-dip", "0-0-60", together="blocked")
    result = total(visits)
    assert rule(result) == "not-together"
    assert "DIP blocked" in result.value.reason


def test_beside_a_total_that_cannot_be_made_the_joints_moved_together_come_first(visits) -> None:
    visits.joint("right-index-pip", "0-0-95", together="blocked")
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    visits.joint("right-index-dip", "0-0-60", together="blocked")
    parts = total(visits).parts
    assert [(part.number, part.conditions["together"]) for part in parts] == [
        (80, "together"),
        (90, "together"),
        (60, "blocked"),
    ]


def test_unknown_is_not_mixed_with_together(visits) -> None:
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    visits.joint("right-index-dip", "0-0-60", together="unknown")
    assert rule(total(visits)) == "not-together"


def test_a_blocked_reading_beside_a_composite_fist_does_no_harm(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.joint("right-index-dip", "0-0-75", together="blocked")
    assert total(visits).number == 230


def test_a_missing_end_is_named(visits) -> None:
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    visits.end("right-index-dip", "extension-deficit", "0")
    result = total(visits)
    assert rule(result) == "not-measured"
    assert "Flexion of the right DIP joint of the index finger was not measured" in result.value.reason


def test_a_reading_without_a_value_is_not_a_zero(visits) -> None:
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    visits.end("right-index-dip", "extension-deficit", "0")
    visits.end("right-index-dip", "flexion", "stopped-for-pain")
    result = total(visits)
    assert rule(result) == "value-absent"
    assert "pain" in result.value.reason


def test_two_different_readings_of_one_end_have_no_sum(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.end("right-index-pip", "flexion", "85")
    assert rule(total(visits)) == "read-twice"


def test_a_deficit_of_0_and_one_of_10_are_two_readings_of_one_end(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.end("right-index-pip", "extension-deficit", "10")
    assert rule(total(visits)) == "read-twice"


def test_a_deficit_beside_hyperextension_has_no_sum(visits) -> None:
    visits.digit("right-index", "0-0-80 0-10-90 0-0-60")
    visits.end("right-index-pip", "hyperextension", "5")
    assert rule(total(visits)) == "read-twice"


def test_the_same_reading_twice_is_one(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    visits.end("right-index-pip", "flexion", "90.0")
    assert total(visits).number == 230


def test_a_deficit_of_0_beside_hyperextension_is_one_end(visits) -> None:
    visits.digit("right-index", "0-0-80 15-0-90 0-0-60")
    visits.end("right-index-pip", "extension-deficit", "0")
    result = total(visits, hyperextension="deficit")
    assert result.number == 215
    assert result.notes == (
        "hyperextension of 15 degrees at the right PIP joint of the index finger counted as a deficit",
    )


def test_hyperextension_of_the_mcp_joint_is_never_a_deficit(visits) -> None:
    visits.digit("right-index", "20-0-80 0-0-90 0-0-60")
    result = total(visits, hyperextension="deficit")
    assert result.number == 230
    assert result.notes == ("hyperextension of 20 degrees at the right MCP joint of the index finger not counted",)


def test_flexion_short_of_neutral_counts_nothing(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 20-10-0")
    result = total(visits)
    assert result.number == 170
    assert any("ends 10 degrees short of neutral" in note for note in result.notes)


def test_flexion_that_ends_at_neutral_is_a_flexion_of_0(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-0")
    result = total(visits)
    assert (result.number, result.notes) == (170, ())


def test_visits_modes_orthosis_states_and_treatment_never_mix(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60", 1)
    visits.digit("right-index", "0-0-81 0-0-90 0-0-60", 2)
    visits.digit("right-index", "0-0-82 0-0-90 0-0-60", 2, orthosis_state="in-orthosis")
    visits.digit("right-index", "0-0-83 0-0-90 0-0-60", 2, treatment="after")
    visits.digit("right-index", "0-0-84 0-0-90 0-0-60", 2, mode="passive")
    visits.digit("right-index", "0-0-85 0-0-90 0-0-60", 2, mode="assisted")
    found = METRICS["total-active-motion"].compute(visits.readings, (), Parameters())
    assert [r.number for r in found] == [230, 231, 232, 233]
    assert [r.visit for r in found] == ["Encounter/1", "Encounter/2", "Encounter/2", "Encounter/2"]


def test_without_an_encounter_the_local_day_is_the_visit(visits) -> None:
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    loose = [replace(m, circumstances=replace(m.circumstances, encounter="")) for m in visits.readings]
    found = METRICS["total-active-motion"].compute(loose, (), Parameters())
    assert [r.visit for r in found] == ["2026-03-01"]


def test_a_digit_without_a_joint_gets_the_sum_of_the_others_and_says_so(visits) -> None:
    visits.state("right-index", "absent", level="dip")
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    result = total(visits)
    assert result.number == 170
    assert result.conditions["joints"] == "mcp pip"
    dip = "The right DIP joint of the index finger is not there: right index finger absent at the level of the dip."
    assert dip in result.notes
    assert any("not the total of a whole digit" in note for note in result.notes)


def test_a_lost_fingertip_leaves_all_three_joints(visits) -> None:
    visits.state("right-index", "absent", level="distal-phalanx")
    visits.digit("right-index", "0-0-80 0-0-90 0-0-60")
    result = total(visits)
    assert result.number == 230
    assert result.conditions["joints"] == "mcp pip dip"


def test_a_fused_joint_contributes_nothing_and_is_named(visits) -> None:
    visits.state("right-index-dip", "fused", angle="20")
    visits.joint("right-index-mcp", "0-0-80")
    visits.joint("right-index-pip", "0-0-90")
    result = total(visits)
    assert result.number == 170
    assert "right DIP joint of the index finger fused at 20 degrees: contributes 0" in result.notes
    assert result.conditions["joints"] == "mcp pip dip"


def test_a_state_counts_from_its_day_on(visits) -> None:
    visits.state("right-index-dip", "fused", day=2, angle="20")
    visits.joint("right-index-mcp", "0-0-80", 1)
    visits.joint("right-index-pip", "0-0-90", 1)
    assert rule(total(visits)) == "not-measured"


def test_a_replaced_joint_is_named(visits) -> None:
    visits.state("right-index-pip", "replaced")
    visits.digit("right-index", "0-0-80 0-0-60 0-0-60")
    result = total(visits)
    assert result.number == 200
    assert "right PIP joint of the index finger: joint replaced" in result.notes


arcs = st.tuples(st.integers(0, 40), st.integers(40, 90))


@given(st.lists(arcs, min_size=3, max_size=3), st.integers(0, 2), st.integers(1, 10))
def test_more_flexion_is_more_total(fresh, ends, which, more) -> None:
    before, after = fresh(), fresh()
    before.digit("right-ring", " ".join(f"0-{e}-{f}" for e, f in ends))
    grown = [(e, f + more * (n == which)) for n, (e, f) in enumerate(ends)]
    after.digit("right-ring", " ".join(f"0-{e}-{f}" for e, f in grown))
    assert total(after).number - total(before).number == more


@given(st.lists(arcs, min_size=3, max_size=3), st.integers(0, 2), st.integers(1, 10))
def test_more_deficit_is_less_total(fresh, ends, which, more) -> None:
    before, after = fresh(), fresh()
    before.digit("right-ring", " ".join(f"0-{e}-{f + 10}" for e, f in ends))
    grown = [(e + more * (n == which), f + 10) for n, (e, f) in enumerate(ends)]
    after.digit("right-ring", " ".join(f"0-{e}-{f}" for e, f in grown))
    assert total(before).number - total(after).number == more


@given(st.lists(arcs, min_size=3, max_size=3))
def test_neither_side_is_special(fresh, ends) -> None:
    text = " ".join(f"0-{e}-{f}" for e, f in ends)
    right, left = fresh(), fresh()
    right.digit("right-little", text)
    left.digit("left-little", text)
    assert total(right).value == total(left).value
    assert total(right).site.other == total(left).site


@given(st.permutations(range(6)))
def test_the_order_of_entry_changes_nothing(fresh, order) -> None:
    record = fresh()
    record.digit("right-index", "0-0-85 0-25-90 0-10-40")
    record.readings = [record.readings[n] for n in order]
    assert total(record).number == Decimal(180)
