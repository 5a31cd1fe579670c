"""Validators that this project did not write find nothing wrong with what it makes, and find what is planted.

A check that cannot fail is none: each fault below names who finds it. Of the others this says what they cannot see.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from service.fhir import conformance
from service.fhir.canonical import code_system
from service.fhir.text import Json

from .validators import FALSE_ALARMS, ROOT, VALIDATORS, asked_about, complaints, resource_in

HANDWRITTEN = ROOT / "tests" / "fhir" / "handwritten"
EXAMPLES = ROOT / "examples" / "resources" / "good"
DEFINITIONS = conformance.resources()


def cases(names: list[str], resources: dict[str, Json]) -> list[Any]:
    """A test for every resource and every validator that knows its type."""
    return [
        pytest.param(resources[name], validator, id=f"{name}-{validator}")
        for name in names
        for validator in asked_about(resources[name])
    ]


def in_folder(folder: Path) -> dict[str, Json]:
    paths = (path for path in sorted(folder.glob("*.json")) if not path.name.endswith(".entry.json"))
    return {path.stem: resource_in(path) for path in paths}


READINGS = {**in_folder(EXAMPLES), **in_folder(HANDWRITTEN)}


@pytest.mark.parametrize(("resource", "validator"), cases(list(READINGS), READINGS))
def test_no_validator_complains_of_a_reading(resource: Json, validator: str) -> None:
    assert [str(complaint) for complaint in complaints(validator, resource)] == []


@pytest.mark.parametrize("resource_type", sorted({each["resourceType"] for each in DEFINITIONS.values()}))
@pytest.mark.parametrize("validator", VALIDATORS)
def test_no_validator_complains_of_a_definition(resource_type: str, validator: str) -> None:
    judged = {n: each for n, each in DEFINITIONS.items() if each["resourceType"] == resource_type}
    known = [name for name, each in judged.items() if validator in asked_about(each)]
    assert known or validator == "ours", "every validator from outside knows these types"
    found = [f"{name}: {complaint}" for name in known for complaint in complaints(validator, judged[name])]
    assert found == []


def test_there_are_readings_to_judge() -> None:
    assert {name for name in READINGS if name.startswith("Observation-")}
    assert len(READINGS) > 15


MOTION, GRIP = READINGS["Observation-joint-motion-in-orthosis"], READINGS["Observation-grip-strength"]
Fault = Callable[[Json], Any]


def component(resource: Json, code: str) -> Json:
    found: Json = next(c for c in resource["component"] if c["code"]["coding"][0]["code"] == code)
    return found


def instant(resource: Json) -> None:
    resource["effectiveInstant"] = resource.pop("effectiveDateTime")


def text_for_a_value(resource: Json) -> None:
    del resource["valueQuantity"]
    resource["valueString"] = "20 degrees"


def second_answer(resource: Json) -> None:
    resource["component"].append(deepcopy(component(resource, "together")))


def both_value_and_reason(resource: Json) -> None:
    resource["dataAbsentReason"] = component(resource, "treatment")["dataAbsentReason"]


def second_code(resource: Json) -> None:
    resource["code"]["coding"].append({"system": code_system("observation-code"), "code": "flexion-active-free"})


FAULTS: dict[str, tuple[Json, Fault, str]] = {
    "no status": (MOTION, lambda r: r.pop("status"), "fhirkit fhirclient models ours pyrofile"),
    "a status that is none": (MOTION, lambda r: r.update(status="measured"), "ours pyrofile"),
    "an element that is none": (MOTION, lambda r: r.update(angle=20), "fhirkit fhirclient models ours pyrofile"),
    "a list for one thing": (
        MOTION,
        lambda r: r.update(subject=[r["subject"]]),
        "fhirkit fhirclient models ours pyrofile",
    ),
    "a text for a number": (
        MOTION,
        lambda r: r["valueQuantity"].update(value="20"),
        "fhirkit fhirclient ours pyrofile",
    ),
    "a value and a reason for none": (MOTION, both_value_and_reason, "ours pyrofile"),
    "no subject": (MOTION, lambda r: r.pop("subject"), "ours pyrofile"),
    "no performer": (MOTION, lambda r: r.pop("performer"), "ours pyrofile"),
    "no site": (MOTION, lambda r: r.pop("bodySite"), "ours pyrofile"),
    "no time": (MOTION, lambda r: r.pop("effectiveDateTime"), "ours pyrofile"),
    "another form of time": (MOTION, instant, "ours"),
    "the code of another kind": (
        MOTION,
        lambda r: r["code"]["coding"][0].update(code="grip-strength-left-free"),
        "ours pyrofile",
    ),
    "two codes at once": (MOTION, second_code, "pyrofile"),
    "a site of another kind": (
        MOTION,
        lambda r: r["bodySite"]["coding"][0].update(code="right-index-tip"),
        "ours pyrofile",
    ),
    "the other hand": (GRIP, lambda r: r["bodySite"]["coding"][0].update(code="right-hand"), "pyrofile"),
    "mass for force": (GRIP, lambda r: r["valueQuantity"].update(code="kg"), "ours pyrofile"),
    "mass for force in a trial": (
        GRIP,
        lambda r: component(r, "trial")["valueQuantity"].update(code="kg"),
        "ours",
    ),
    "text for a value": (MOTION, text_for_a_value, "ours pyrofile"),
    "below zero": (MOTION, lambda r: r["valueQuantity"].update(value=Decimal(-1)), "ours pyrofile"),
    "beyond what can be": (MOTION, lambda r: r["valueQuantity"].update(value=Decimal(181)), "ours pyrofile"),
    "a trial below zero": (
        GRIP,
        lambda r: component(r, "trial")["valueQuantity"].update(value=Decimal(-1)),
        "ours",
    ),
    "an unknown question": (
        MOTION,
        lambda r: component(r, "together")["code"]["coding"][0].update(code="mood"),
        "ours pyrofile",
    ),
    "an unknown answer": (
        MOTION,
        lambda r: component(r, "together")["valueCodeableConcept"]["coding"][0].update(code="sometimes"),
        "ours pyrofile",
    ),
    "one question answered twice": (MOTION, second_answer, "ours pyrofile"),
    "an orthosis in words": (
        MOTION,
        lambda r: r["extension"][0].update(valueString=r["extension"][0].pop("valueReference")["reference"]),
        "pyrofile",
    ),
    "an extension nobody defined": (
        MOTION,
        lambda r: r["extension"].append({"url": "https://elsewhere.example/mood", "valueString": "good"}),
        "pyrofile",
    ),
    "a meaning that is modified": (
        MOTION,
        lambda r: r.update(modifierExtension=[{"url": "https://elsewhere.example/not", "valueBoolean": True}]),
        "pyrofile",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_is_found_by_those_who_can(name: str) -> None:
    good, fault, finders = FAULTS[name]
    bad = deepcopy(good)
    fault(bad)
    found = {validator for validator in VALIDATORS if complaints(validator, bad)}
    assert found - {"ours"} == set(finders.split()) - {"ours"}
    assert found >= set(finders.split())


def test_every_validator_finds_some_fault() -> None:
    assert {validator for _, _, finders in FAULTS.values() for validator in finders.split()} == set(VALIDATORS)


PLANTED_IN_DEFINITIONS: dict[str, tuple[str, Fault]] = {
    "a status that is none": ("ValueSet-treatment.json", lambda r: r.update(status="published")),
    "a code system with a kind of content that is none": (
        "CodeSystem-treatment.json",
        lambda r: r.update(content="all of it"),
    ),
    "a concept without a code": ("CodeSystem-treatment.json", lambda r: r["concept"][0].pop("code")),
    "an equivalence that is none": (
        "ConceptMap-observation-code.json",
        lambda r: r["group"][0]["element"][0]["target"][0].update(equivalence="similar"),
    ),
    "an element without a path": (
        "StructureDefinition-orthosis-worn.json",
        lambda r: r["snapshot"]["element"][0].pop("path"),
    ),
    "a statement of a server that describes none": (
        "CapabilityStatement-record.json",
        lambda r: r.update(kind="instance"),
    ),
}


@pytest.mark.parametrize("name", PLANTED_IN_DEFINITIONS)
def test_a_fault_planted_in_a_definition_is_found_outside(name: str) -> None:
    file, fault = PLANTED_IN_DEFINITIONS[name]
    bad = deepcopy(DEFINITIONS[file])
    fault(bad)
    assert complaints("pyrofile", bad) != []


@cache
def _everything_said(validator: str) -> tuple[Any, ...]:
    sample = [READINGS["Observation-grip-strength"], *DEFINITIONS.values()]
    small = [r for r in sample if r["resourceType"] != "StructureDefinition"]
    return tuple(complaint for resource in small for complaint in VALIDATORS[validator](resource))


@pytest.mark.parametrize("alarm", FALSE_ALARMS, ids=lambda alarm: f"{alarm.validator}-{alarm.code}")
def test_every_known_false_alarm_is_still_raised(alarm: Any) -> None:
    """An entry that is no longer needed would hide a true one."""
    assert any(alarm.fits(alarm.validator, complaint) for complaint in _everything_said(alarm.validator))
