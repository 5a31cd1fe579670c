"""What contradicts itself is refused too: the parts of a reading must agree, and a whole arc must be one."""

from __future__ import annotations

from copy import deepcopy

import pytest

from service.fhir.canonical import code_system
from service.fhir.reading_check import check_profiles
from service.fhir.text import Json

from .faults import GRIP, MOTION, PANEL, TOUCH, Fault, coded, component, place, placed, with_, without

OURS = code_system("observation-code")


def other_code(resource: Json) -> None:
    resource["code"]["coding"][0]["code"] = "flexion-sometimes"


def two_codes(resource: Json) -> None:
    resource["code"]["coding"].append({"system": OURS, "code": "flexion-active-free"})


def two_sites(resource: Json) -> None:
    resource["bodySite"]["coding"].append({"system": code_system("body-site"), "code": "left-index-pip"})


def left_grip(resource: Json) -> None:
    resource["code"]["coding"][0]["code"] = "grip-strength-left-free"


def modified(resource: Json) -> None:
    resource["modifierExtension"] = [{"url": "https://elsewhere.example/not-measured", "valueBoolean": True}]


def in_rapid_exchange(resource: Json) -> None:
    stated = component(resource, "protocol")
    del stated["dataAbsentReason"]
    stated["valueCodeableConcept"] = coded(code_system("grip-strength-protocol"), "rapid-exchange")


CONTRADICTIONS: dict[str, tuple[Json, Fault, str]] = {
    "active and passive at once": (MOTION, two_codes, "Observation.code"),
    "left and right at once": (MOTION, two_sites, "Observation.bodySite"),
    "the grip of the other hand": (GRIP, left_grip, "Observation.bodySite"),
    "grip of a finger joint": (GRIP, place("right-index-pip"), "Observation.bodySite"),
    "a public code of the ordinary grip for another": (GRIP, in_rapid_exchange, "Observation.code"),
    "motion of skin": (MOTION, place("right-index-tip"), "Observation.bodySite"),
    "touch at a joint": (TOUCH, place("right-index-pip"), "Observation.bodySite"),
    "a month for a time": (MOTION, with_(effectiveDateTime="2024-03"), "Observation.effectiveDateTime"),
    "a meaning that is modified": (MOTION, modified, "Observation.modifierExtension"),
    "a trial in mass": (
        GRIP,
        lambda r: component(r, "trial")["valueQuantity"].update(code="kg"),
        "Observation.component[{trial}].valueQuantity.code",
    ),
    "a method of another system": (MOTION, with_(method=coded("http://loinc.org", "1-8")), "Observation.method"),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_a_contradiction_is_refused_with_its_place(name: str) -> None:
    good, fault, where = CONTRADICTIONS[name]
    bad = deepcopy(good)
    fault(bad)
    assert [issue.where for issue in check_profiles(bad)] == [placed(where, good)]


def without_members(resource: Json) -> None:
    del resource["hasMember"]


def valued(resource: Json) -> None:
    resource["valueQuantity"] = MOTION["valueQuantity"]


@pytest.mark.parametrize("fault", [without_members, valued, without("subject"), without("bodySite"), other_code])
def test_a_whole_arc_is_held_to_its_profile(fault: Fault) -> None:
    bad = deepcopy(PANEL)
    assert check_profiles(bad) == []
    fault(bad)
    assert check_profiles(bad) != []
