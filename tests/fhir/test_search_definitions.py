"""SearchParameters that are served: those of R4 as HL7's package has them, ours beside them."""

from __future__ import annotations

import json
import os
import tarfile
from functools import cache
from pathlib import Path
from typing import Any

import fhirkit
import pytest

from service.fhir import conformance
from service.fhir.definition_search import found
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_definitions import own_search_parameters, used_search_parameters
from service.fhir.search_parameters import parameters_of, parse
from service.fhir.text import dump

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "hl7.fhir.r4.core-4.0.1.tgz"
COMPARED = ("url", "version", "code", "base", "type", "expression", "target", "description", "comparator")


@cache
def in_package() -> dict[str, dict[str, Any]]:
    if not PACKAGE.exists():
        pytest.skip(f"the R4 core package is not at {PACKAGE}")
    with tarfile.open(PACKAGE) as archive:
        members = [each for each in archive if Path(each.name).name.startswith("SearchParameter-")]
        listed = [json.load(archive.extractfile(each)) for each in members]  # type: ignore[arg-type]
    return {each["url"]: each for each in listed}


def test_what_is_r4s_is_as_r4_has_it() -> None:
    for used in used_search_parameters():
        standard = in_package()[used["url"]]
        assert {name: used.get(name) for name in COMPARED} == {name: standard.get(name) for name in COMPARED}


def test_no_validator_complains_of_them() -> None:
    for each in (*used_search_parameters(), *own_search_parameters()):
        assert [i.message for i in fhirkit.validate(dump(each)) if i.severity == "error"] == [], each["url"]


def test_each_parameter_that_is_answered_has_its_definition() -> None:
    served = {each["url"] for each in conformance.of_type("SearchParameter")}
    for kind in SERVED_TYPES:
        for name, parameter in parameters_of(kind).items():
            assert parameter.definition in served, f"{kind}: {name}"


@pytest.mark.parametrize(
    ("kind", "query", "expected"),
    [
        ("SearchParameter", "base=DeviceUseStatement&publisher:contains=invented", 3),
        ("OperationDefinition", "code=expand,lookup", 2),
        ("OperationDefinition", "base=http://hl7.org/fhir/OperationDefinition/Patient-everything", 1),
        ("OperationDefinition", "instance=true&type:not=true", 3),
        ("StructureDefinition", "type=Goal&derivation=constraint", 1),
        ("StructureDefinition", "url:below=https://hand-therapy-record.example/fhir/StructureDefinition/grip", 1),
        ("StructureDefinition", "title:exact=Grip strength", 1),
        ("StructureDefinition", "title:exact=grip strength", 0),
        ("ValueSet", "version=9.9.9", 0),
        ("ValueSet", "identifier:missing=false", 0),
        ("CodeSystem", "date=gt2000&name=Side", 1),
        ("ImplementationGuide", "status=active", 1),
    ],
)
def test_a_search_of_definitions_finds(kind: str, query: str, expected: int) -> None:
    pairs = [(name, value) for name, _, value in (part.partition("=") for part in query.split("&"))]
    page, total, following = found(parse(kind, pairs))
    assert (len(page), total, following) == (expected, expected, "")
