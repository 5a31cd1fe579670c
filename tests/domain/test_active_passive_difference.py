"""The difference between passive and active motion at one end of a joint."""

from __future__ import annotations

import pytest

from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS


def differences(visits) -> dict[str, Result]:
    found = METRICS["active-passive-difference"].compute(visits.readings, visits.states, Parameters())
    return {r.conditions["motion"]: r for r in found}


@pytest.mark.check_values("lag_deg_extension")
def test_extension(row, visits) -> None:
    visits.end("right-ring-pip", "extension-deficit", str(row.inputs["active_ext_deficit"]))
    visits.end("right-ring-pip", "extension-deficit", str(row.inputs["passive_ext_deficit"]), mode="passive")
    row.check(differences(visits)["extension"].number)


@pytest.mark.check_values("lag_deg_flexion")
def test_flexion(row, visits) -> None:
    visits.end("right-ring-pip", "flexion", str(row.inputs["active_flex"]))
    visits.end("right-ring-pip", "flexion", str(row.inputs["passive_flex"]), mode="passive")
    result = differences(visits)["flexion"]
    row.check(result.number)
    assert result.source.status == "from memory"
    assert len(result.inputs) == 2


def test_both_ends_of_an_arc(visits) -> None:
    visits.joint("right-ring-pip", "0-35-70")
    visits.joint("right-ring-pip", "5-0-95", mode="passive")
    found = differences(visits)
    assert (found["extension"].number, found["flexion"].number) == (40, 25)
    alike = {"orthosis_state": "free", "treatment": "unknown"}
    assert [r.conditions for r in found.values()] == [{"motion": m, **alike} for m in ("extension", "flexion")]
    for result in found.values():
        assert [m.answer("mode") for m in result.inputs] == ["active", "passive"]


def test_no_difference_is_0_without_a_note(visits) -> None:
    visits.joint("right-ring-pip", "0-35-70")
    visits.joint("right-ring-pip", "0-35-70", mode="passive")
    assert [(r.number, r.notes) for r in differences(visits).values()] == [(0, ()), (0, ())]


def test_a_deficit_of_0_beside_hyperextension_is_one_end(visits) -> None:
    visits.end("right-ring-pip", "extension-deficit", "0")
    visits.end("right-ring-pip", "extension-deficit", "0", mode="passive")
    visits.end("right-ring-pip", "hyperextension", "10", mode="passive")
    assert differences(visits)["extension"].number == 10


def test_active_above_passive_is_below_0_and_said_so(visits) -> None:
    visits.end("right-ring-pip", "flexion", "70")
    visits.end("right-ring-pip", "flexion", "66", mode="passive")
    result = differences(visits)["flexion"]
    assert result.number == -4
    assert "active motion exceeds passive motion" in result.notes


def test_without_a_passive_reading_of_the_same_visit_and_state(visits) -> None:
    visits.end("right-ring-pip", "flexion", "70")
    visits.end("right-ring-pip", "flexion", "90", 2, mode="passive")
    visits.end("right-ring-pip", "flexion", "91", mode="passive", orthosis_state="in-orthosis")
    visits.end("right-ring-pip", "extension-deficit", "0", mode="passive")
    assert differences(visits)["flexion"].value.rule == "not-measured"
    assert list(differences(visits)) == ["flexion"]


def test_neighbouring_joints_alike_come_first(visits) -> None:
    visits.end("right-ring-pip", "flexion", "70", together="blocked")
    visits.end("right-ring-pip", "flexion", "60", together="together")
    visits.end("right-ring-pip", "flexion", "75", together="together", mode="passive")
    result = differences(visits)["flexion"]
    assert result.number == 15
    assert result.notes == ()


def test_neighbouring_joints_that_differed_are_named(visits) -> None:
    visits.end("right-ring-pip", "flexion", "70")
    visits.end("right-ring-pip", "flexion", "80", together="alone", mode="passive")
    result = differences(visits)["flexion"]
    assert result.number == 10
    assert result.notes == ("neighbouring joints differed (active together and passive alone)",)


def test_two_values_of_one_end_have_no_difference(visits) -> None:
    visits.end("right-ring-pip", "flexion", "70")
    visits.end("right-ring-pip", "flexion", "72")
    visits.end("right-ring-pip", "flexion", "80", mode="passive")
    assert differences(visits)["flexion"].value.rule == "read-twice"


def test_each_end_stands_with_the_whole_arcs_it_belongs_to(visits) -> None:
    visits.joint("right-ring-pip", "0-35-70")
    visits.end("right-ring-pip", "extension-deficit", "10", mode="passive")
    found = differences(visits)
    active, passive = found["extension"].parts
    assert (active.metric, active.conditions["mode"], active.number) == ("arc-of-motion", "active", 35)
    assert (passive.conditions["mode"], passive.value.rule) == ("passive", "not-measured")
    (alone,) = found["flexion"].parts
    assert alone == active
    assert found["flexion"].value.rule == "not-measured"
