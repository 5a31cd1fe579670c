"""Joint motion: what is read, what is refused and what is asked about."""

from __future__ import annotations

import pytest

from service.domain.kinds import joint_motion
from service.domain.measurement import Entry
from service.domain.reading import check, check_visit
from service.errors import Invalid

EF, NZ = "extension-flexion", "neutral-zero"
ENDS = {"flex": "flexion", "hyperext": "hyperextension"}


def graded(visits) -> list[tuple[str, str]]:
    """Everything that the readings break, alone and together."""
    alone = [f for m in visits.readings for f in check(m, visits.states)]
    together = [f for _, f in check_visit(visits.readings)]
    return [(f.grade, f.issue.rule) for f in (*alone, *together)]


def arc(site: str, text: str, motion: str, convention: str) -> Entry:
    side, _, key = site.partition("-")
    return Entry("joint-motion", side, key, text, "deg", convention, {"motion": motion, "mode": "active"})


def ends(visits, *given) -> dict[str, str]:
    return {m.answer("motion"): str(m.number) for m in visits.enter(arc(*given))}


@pytest.mark.parametrize(
    ("site", "text", "motion", "convention", "expected"),
    [
        ("right-index-pip", "0-20-90", EF, NZ, {"extension-deficit": "20", "flexion": "90"}),
        ("right-index-pip", "90-20-0", "flexion-extension", NZ, {"extension-deficit": "20", "flexion": "90"}),
        ("right-index-mcp", "10-0-90.5", EF, NZ, {"hyperextension": "10", "flexion": "90.5"}),
        ("left-thumb-ip", "-15/60", EF, "minus-is-deficit", {"extension-deficit": "15", "flexion": "60"}),
        ("left-thumb-ip", "-15/60", EF, "minus-is-hyperextension", {"hyperextension": "15", "flexion": "60"}),
        ("left-wrist", "70-0-75", EF, NZ, {"extension": "70", "flexion": "75"}),
        ("left-wrist", "0-10-30", "radial-deviation-ulnar-deviation", NZ,
         {"radial-deviation-deficit": "10", "ulnar-deviation": "30"}),
        ("left-forearm", "70-0-85", "pronation-supination", NZ, {"pronation": "70", "supination": "85"}),
        ("right-thumb-cmc", "45", "palmar-abduction", "named", {"palmar-abduction": "45"}),
        ("right-index-pip", "-20", "extension", "minus-is-deficit", {"extension-deficit": "20"}),
        ("right-index-pip", "20", "extension-deficit", "named", {"extension-deficit": "20"}),
    ],
)  # fmt: skip
def test_an_entry_becomes_named_ends(visits, site, text, motion, convention, expected) -> None:
    assert ends(visits, site, text, motion, convention) == expected


@pytest.mark.parametrize(
    ("site", "motion", "hint"),
    [
        ("right-index-pip", "palmar-abduction", "has no motion called"),
        ("right-index-pip", "pronation", "has no motion called"),
        ("right-thumb-cmc", "flexion", "has no motion called"),
        ("right-wrist", "hyperextension", "has no motion called"),
        ("right-thumb-pip", "flexion", "not a part of the hand"),
        ("right-hand", "flexion", "not measured at the hand"),
    ],
)
def test_motion_the_joint_lacks_is_refused(visits, site, motion, hint) -> None:
    with pytest.raises(Invalid, match=hint):
        visits.enter(arc(site, "20", motion, "named"))


@pytest.mark.check_values("plausibility", without="s2pd_mm")
def test_plausibility(row, visits) -> None:
    grade = row.expected.split(":")[0]
    if "monofilament_marking" in row.inputs:
        with pytest.raises(Invalid, match=r"4\.56"):
            visits.touch("right-index-tip", str(row.inputs["monofilament_marking"]))
        assert grade == "reject"
        return
    site = f"right-index-{row.inputs['joint'].lower()}"
    for mode in ("active", "passive"):
        if mode in row.inputs:
            visits.end(site, ENDS[row.inputs["motion"]], str(row.inputs[mode]), mode=mode)
    assert {g for g, _ in graded(visits)} == {{"warn": "ask", "reject": "refuse"}[grade]}, row.source


@pytest.mark.published(
    source="eatonhand.com prints PIP 0/10, its sister page e-hand.com/nor/nor002 0/100: 100 is meant"
)
def test_100_degrees_at_a_pip_joint_is_ordinary(visits) -> None:
    visits.joint("right-index-pip", "0-0-100")
    assert graded(visits) == []


@pytest.mark.published(
    source="normal flexion and extension, AAOS and e-hand.com/nor/nor002 (PIP 100, DIP 80, thumb 55/80)"
)
@pytest.mark.parametrize(
    ("site", "text"),
    [
        ("right-index-mcp", "45-0-90"),
        ("right-index-dip", "0-0-90"),
        ("right-thumb-mcp", "10-0-55"),
        ("right-thumb-ip", "15-0-80"),
        ("right-wrist", "70-0-80"),
    ],
)
def test_normal_motion_is_not_asked_about(visits, site, text) -> None:
    visits.joint(site, text)
    assert graded(visits) == []


@pytest.mark.parametrize("amount", ["181", "200", "999999999"])
@pytest.mark.parametrize(
    ("site", "motion"),
    [("right-index-pip", "flexion"), ("right-thumb-cmc", "radial-abduction"), ("right-index-dip", "extension-deficit")],
)
def test_more_than_a_half_turn_cannot_be(visits, site, motion, amount) -> None:
    visits.end(site, motion, amount)
    assert ("refuse", "hard-bound") in graded(visits)


@pytest.mark.parametrize("joint", ["mcp", "pip", "dip"])
def test_no_deficit_above_the_flexion_that_can_be(visits, joint) -> None:
    flexion = joint_motion.bounds(visits.end(f"right-index-{joint}", "flexion", "1").site, {"motion": "flexion"})
    visits.end(f"right-index-{joint}", "extension-deficit", str(flexion.hard + 1))
    assert ("refuse", "hard-bound") in graded(visits)


@pytest.mark.parametrize("text", ["-1", "−20"])
def test_a_negative_end_is_refused(visits, text) -> None:
    with pytest.raises(Invalid, match="A signed number needs a convention"):
        visits.enter(arc("right-index-pip", text, "flexion", "named"))


def test_a_deficit_beside_hyperextension_is_refused(visits) -> None:
    visits.end("right-index-pip", "extension-deficit", "10")
    visits.end("right-index-pip", "hyperextension", "5")
    assert graded(visits) == [("refuse", "one-end")]


def test_a_deficit_of_0_may_stand_beside_hyperextension(visits) -> None:
    visits.end("right-index-pip", "extension-deficit", "0")
    visits.end("right-index-pip", "hyperextension", "5")
    assert graded(visits) == []


def test_flexion_below_the_deficit_is_refused(visits) -> None:
    visits.end("right-index-pip", "extension-deficit", "40")
    visits.end("right-index-pip", "flexion", "30")
    assert graded(visits) == [("refuse", "empty-arc")]
    with pytest.raises(Invalid, match="ends before it begins"):
        visits.enter(arc("right-index-pip", "0-40-30", EF, NZ))


def test_a_hyperextension_of_0_does_not_hide_a_deficit(visits) -> None:
    visits.end("right-index-pip", "hyperextension", "0")
    visits.end("right-index-pip", "extension-deficit", "40")
    visits.end("right-index-pip", "flexion", "30")
    assert ("refuse", "empty-arc") in graded(visits)


def test_ends_of_different_modes_are_not_one_arc(visits) -> None:
    visits.end("right-index-pip", "extension-deficit", "40")
    visits.end("right-index-pip", "flexion", "30", mode="passive")
    assert graded(visits) == []


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 2, 1, 0), (2, 0, 3, 1)])
@pytest.mark.parametrize(
    ("active", "passive", "asked"), [("0-0-95", "0-0-90", 0), ("0-0-96", "0-0-90", 1), ("0-10-90", "0-30-96", 1)]
)
def test_active_above_passive_is_asked_about_at_either_end(visits, active, passive, asked, order) -> None:
    visits.joint("right-index-pip", active)
    visits.joint("right-index-pip", passive, mode="passive")
    visits.readings = [visits.readings[n] for n in order]
    assert graded(visits) == [("ask", "active-above-passive")] * asked


def test_motion_of_a_joint_that_is_not_there_is_refused(visits) -> None:
    visits.state("right-index", "absent", level="pip")
    visits.end("right-index-dip", "flexion", "10")
    visits.end("right-index-pip", "flexion", "10")
    visits.end("right-index-mcp", "flexion", "10")
    visits.end("right-index-dip", "flexion", "not-applicable")
    assert graded(visits) == [("refuse", "part-state"), ("refuse", "part-state")]


def test_motion_of_a_fused_joint_is_refused(visits) -> None:
    visits.state("right-index-dip", "fused", angle="20")
    visits.end("right-index-dip", "flexion", "20")
    assert graded(visits) == [("refuse", "part-state")]


def test_improvement_is_less_deficit_and_more_flexion() -> None:
    better = {m: joint_motion.KIND.better({"motion": m}) for m in joint_motion.MOTION.choices}
    assert better["extension-deficit"] == "less"
    assert better["flexion"] == "more"
    assert better["hyperextension"] == "unstated"
