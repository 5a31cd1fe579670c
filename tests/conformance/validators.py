"""Validators of R4 that this project did not write, and its own, each as a function from a resource to complaints.

fhirkit     structure, types and cardinality from the specification (fhirkit-rs)
fhirclient  structure, types and cardinality of the SMART client's models (fhirclient)
ours        service.fhir.validation, which asks fhir.resources among others, and our profiles
pyrofile    invariants, bindings, slices and profiles over the core package and our definitions (pyrofile-validator)
"""

from __future__ import annotations

import atexit
import contextlib
import io
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import fhirkit
import pytest
from fhirclient.models.fhirabstractbase import FHIRValidationError
from pydantic import ValidationError
from pyrofile_validator import Validator
from pyrofile_validator.config import ValidatorConfig

from service.fhir import conformance
from service.fhir.definitions import VALIDATED_TYPES
from service.fhir.reading_check import check_profiles
from service.fhir.text import Json, dump, parse
from service.fhir.validation import issues_of

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "hl7.fhir.r4.core-4.0.1.tgz"


@dataclass(frozen=True, slots=True)
class Complaint:
    """What a validator says against a resource: its code for it, the sentence, and the place."""

    code: str
    message: str
    path: str = ""

    def __str__(self) -> str:
        return f"[{self.code}] {self.path}: {self.message}"


@dataclass(frozen=True, slots=True)
class FalseAlarm:
    """A complaint of one validator that R4 does not share, by patterns of its code, place and message, and why."""

    validator: str
    code: str
    path: str
    message: str
    reason: str

    def fits(self, validator: str, complaint: Complaint) -> bool:
        patterns = ((self.code, complaint.code), (self.path, complaint.path), (self.message, complaint.message))
        return validator == self.validator and all(re.fullmatch(pattern, text) for pattern, text in patterns)


FALSE_ALARMS = (
    FalseAlarm(
        "pyrofile",
        r"profile(\.element)?\.binding\.required",
        r"\w+\.(code|bodySite|bodysite|target\.measure)",
        r"Code '(\d{5}-\d|\d{6,18})' is not in required profile ValueSet .*",
        "A LOINC or SNOMED CT coding stands beside ours. R4 (terminologies.html#required) asks of a CodeableConcept "
        "that one of its codings be from the value set; this validator asks it of each. That ours is there is a rule "
        "of the profile.",
    ),
    FalseAlarm(
        "pyrofile",
        r"profile\.element\.cardinality\.max",
        r"(CodeSystem|ValueSet|ConceptMap|CapabilityStatement|ImplementationGuide|OperationDefinition)\.(\w+\.)+\w+(\[x\])?",
        r"Profile allows at most 1 value\(s\) for .*",
        "The cardinality of an element inside a repeated one is counted over all repetitions together.",
    ),
    FalseAlarm(
        "pyrofile",
        r"cardinality\.min",
        r"(CodeSystem\.concept\[\d+\]\.property|Task\.(input|output))\[\d+\]\.value\[x\]",
        r".* is required",
        "The value is there; a choice inside a repeated element is looked for under the name value[x].",
    ),
)


def fhirkit_says(resource: Json) -> list[Complaint]:
    found = (issue for issue in fhirkit.validate(dump(resource)) if issue.severity == "error")
    return [Complaint("structure", issue.message, issue.path) for issue in found]


def fhirclient_says(resource: Json) -> list[Complaint]:
    name = str(resource["resourceType"])
    model: Any = getattr(import_module(f"fhirclient.models.{name.lower()}"), name)
    try:
        model(plain(resource), strict=True)
    except FHIRValidationError as refused:
        return [Complaint("structure", str(refused), name)]
    return []


def models_say(resource: Json) -> list[Complaint]:
    name = str(resource["resourceType"])
    model: Any = getattr(import_module(f"fhir.resources.R4B.{name.lower()}"), name)
    try:
        model.model_validate(resource)
    except ValidationError as refused:
        return [Complaint(e["type"], e["msg"], ".".join(map(str, e["loc"]))) for e in refused.errors()]
    return []


def we_say(resource: Json) -> list[Complaint]:
    issues = [issue for issue in issues_of(resource) if issue.severity in ("error", "fatal")]
    return [Complaint(issue.rule, issue.message, issue.where) for issue in issues or check_profiles(resource)]


def pyrofile_says(resource: Json) -> list[Complaint]:
    with contextlib.redirect_stdout(io.StringIO()):  # fhirpathpy below it prints what trace() is given
        errors = _pyrofile().validate_resource(thinned(plain(resource))).errors
    return [Complaint(error.code, error.message, error.path or "") for error in errors]


@cache
def _pyrofile() -> Validator:
    """One for the whole run: reading the core package takes seconds."""
    if not PACKAGE.is_file():
        pytest.skip(f"the core package is not at {PACKAGE}; HANDRECORD_TEST_DATA names its folder")
    schemas = Path(tempfile.mkdtemp(prefix="handrecord-schemas-"))
    atexit.register(shutil.rmtree, schemas)
    conformance.write(schemas)
    paths = [str(PACKAGE), str(schemas)]
    terminology = {"mode": "local"}
    config = {"fhirVersion": "4.0.1", "localPackagePaths": paths, "terminology": terminology}
    return Validator(ValidatorConfig.load_dict(config))


VALIDATORS: dict[str, Callable[[Json], list[Complaint]]] = {
    "fhirkit": fhirkit_says,
    "fhirclient": fhirclient_says,
    "models": models_say,
    "ours": we_say,
    "pyrofile": pyrofile_says,
}


def asked_about(resource: Json) -> list[str]:
    """The names of the validators that know the type of a resource."""
    return [name for name in VALIDATORS if name != "ours" or resource["resourceType"] in VALIDATED_TYPES]


def complaints(validator: str, resource: Json) -> list[Complaint]:
    """What a validator says, without the known false alarms."""
    return [
        complaint
        for complaint in VALIDATORS[validator](resource)
        if not any(alarm.fits(validator, complaint) for alarm in FALSE_ALARMS)
    ]


def plain(resource: Json) -> Json:
    """As the standard library reads it, floats and all: what these validators are made for."""
    found: Json = json.loads(dump(resource))
    return found


LONGEST = 5
REPEATED_ALIKE = ("concept", "element", "resource", "searchParam")

THINNED = ("CodeSystem", "ValueSet", "ConceptMap", "CapabilityStatement", "ImplementationGuide")


def thinned(resource: Json) -> Json:
    """A definition with the first entries of each long list: time here grows with the square of them."""
    if resource["resourceType"] == "StructureDefinition":
        parts = {part: {"element": _narrowed_only(resource, part)} for part in ("snapshot", "differential")}
        return {**resource, **parts}
    if resource["resourceType"] in (
        "CodeSystem",
        "ValueSet",
        "ConceptMap",
        "CapabilityStatement",
        "ImplementationGuide",
    ):
        return {key: _thinned(key, value) for key, value in resource.items() if key != "count"}
    return resource


def _thinned(key: str, value: Any) -> Any:
    if isinstance(value, dict):
        return {inner: _thinned(inner, content) for inner, content in value.items()}
    if isinstance(value, list):
        kept = value[:LONGEST] if key in REPEATED_ALIKE else value
        return [_thinned(key, each) for each in kept]
    return value


def _narrowed_only(profile: Json, part: str) -> list[Json]:
    """The elements that a profile narrows, with the first slice of each sliced one, and what they stand in."""
    first: dict[str, str] = {}
    for element in profile["differential"]["element"]:
        if "sliceName" in element:
            first.setdefault(element["path"], element["id"])
    inside = tuple(f"{slice_}." for slice_ in first.values())
    stated = {element["id"] for element in profile["differential"]["element"]}
    kept = {i for i in stated if ":" not in i or i in first.values() or i.startswith(inside)}
    return [element for element in profile[part]["element"] if element["id"] in kept]


def resource_in(path: Path) -> Json:
    return parse(path.read_bytes())
