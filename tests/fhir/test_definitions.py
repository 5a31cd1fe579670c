"""The digest of the R4 core package is what the package says, and its reader reads it."""

from __future__ import annotations

import json
import os
import tarfile
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from service.fhir import definitions
from service.fhir.definitions import BASE_TYPES, SERVED_TYPES
from service.fhir.definitions.digest import digest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "hl7.fhir.r4.core-4.0.1.tgz"
FOLDER = ROOT / "service" / "fhir" / "definitions"

needs_package = pytest.mark.skipif(not PACKAGE.exists(), reason=f"the R4 core package is not at {PACKAGE}")


@cache
def package_files() -> dict[str, bytes]:
    with tarfile.open(PACKAGE) as archive:
        streams = ((Path(member.name).stem, archive.extractfile(member)) for member in archive)
        return {name: stream.read() for name, stream in streams if stream is not None}


def published(name: str) -> dict[str, Any]:
    """A definition straight from HL7's package."""
    return dict(json.loads(package_files()[name]))


def all_codes(concepts: list[dict[str, Any]]) -> set[str]:
    return {each["code"] for each in concepts}.union(*(all_codes(each.get("concept", [])) for each in concepts))


@needs_package
def test_the_files_are_those_the_package_gives() -> None:
    made = digest(PACKAGE)
    assert made.keys() == {path.name for path in FOLDER.glob("*.json")}
    stale = [name for name, content in made.items() if (FOLDER / name).read_bytes() != content]
    assert stale == [], "run: python -m service.fhir.definitions PATH_OF_hl7.fhir.r4.core-4.0.1.tgz"


def test_the_digest_stays_small() -> None:
    assert sum(path.stat().st_size for path in FOLDER.glob("*.json")) < 3_000_000


def test_every_served_type_is_described_and_searchable() -> None:
    for name in SERVED_TYPES:
        assert definitions.elements(name)[f"{name}.id"].types == ("id",)
        assert "_id" in definitions.search_parameters(name)


@needs_package
@pytest.mark.parametrize("name", [*SERVED_TYPES, "Bundle", "Timing", "Dosage"])
def test_elements_are_those_of_the_published_snapshot(name: str) -> None:
    snapshot = published(f"StructureDefinition-{name}")["snapshot"]["element"]
    read = definitions.elements(name)
    assert list(read) == [element["path"] for element in snapshot]
    for element in snapshot:
        assert read[element["path"]].least == element["min"]
        assert str(read[element["path"]].most or "*") == element["max"]


@needs_package
def test_targets_are_those_of_the_published_snapshot() -> None:
    (subject,) = (
        element
        for element in published("StructureDefinition-Observation")["snapshot"]["element"]
        if element["path"] == "Observation.subject"
    )
    urls = [f"http://hl7.org/fhir/StructureDefinition/{name}" for name in read_targets("Observation.subject")]
    assert sorted(urls) == sorted(subject["type"][0]["targetProfile"])


def read_targets(path: str) -> tuple[str, ...]:
    return definitions.elements(path.split(".")[0])[path].targets


def test_a_reference_to_anything_has_no_targets() -> None:
    assert read_targets("Task.focus") == ()


@needs_package
@pytest.mark.parametrize("name", ["observation-status", "quantity-comparator", "units-of-time", "days-of-week"])
def test_required_codes_are_those_of_the_published_set(name: str) -> None:
    (part,) = published(f"ValueSet-{name}")["compose"]["include"]
    listed = part.get("concept") or published(f"CodeSystem-{name}")["concept"]
    read = definitions.codes(f"http://hl7.org/fhir/ValueSet/{name}")
    assert read is not None
    assert read == {part["system"]: all_codes(listed)}


def test_open_ended_sets_have_no_list() -> None:
    assert definitions.codes("http://hl7.org/fhir/ValueSet/mimetypes") is None
    assert definitions.codes("http://hl7.org/fhir/ValueSet/currencies") is None


@needs_package
def test_search_parameters_are_as_published() -> None:
    one = published("SearchParameter-Observation-value-quantity")
    read = definitions.search_parameters("Observation")["value-quantity"]
    assert (read.code, read.type, read.expression) == (one["code"], one["type"], one["expression"])
    assert read.comparator == tuple(one["comparator"])
    shared = published("SearchParameter-clinical-patient")
    assert definitions.search_parameters("Observation")["patient"].expression == shared["expression"]


def test_no_example_displaces_a_parameter_of_the_standard() -> None:
    """The package holds examples of SearchParameters whose codes are those of real ones (`_id`, `subject`)."""
    for name in SERVED_TYPES:
        for code, parameter in definitions.search_parameters(name).items():
            assert "SearchParameter/example" not in parameter.url, (name, code)
    assert definitions.search_parameters("Patient")["_id"].url == "http://hl7.org/fhir/SearchParameter/Resource-id"


@needs_package
def test_the_elements_of_a_summary_are_those_of_the_published_snapshot() -> None:
    for name in SERVED_TYPES:
        listed = published(f"StructureDefinition-{name}")["snapshot"]["element"]
        wanted = {each["path"] for each in listed if each.get("isSummary")}
        assert {path for path, each in definitions.elements(name).items() if each.summary} == wanted


def test_composite_parameters_keep_their_parts() -> None:
    parts = definitions.search_parameters("Observation")["code-value-quantity"].components
    assert [definition.rsplit("/", 1)[-1] for definition, _ in parts] == ["clinical-code", "Observation-value-quantity"]


@needs_package
@pytest.mark.parametrize("name", BASE_TYPES)
def test_base_definitions_are_whole_and_fresh(name: str) -> None:
    expected = published(f"StructureDefinition-{name}")
    expected.pop("text", None)
    first = definitions.base_definition(name)
    assert first == expected
    first["snapshot"].clear()
    assert definitions.base_definition(name) == expected


@needs_package
def test_the_resource_types_are_those_of_the_published_code_system() -> None:
    listed = all_codes(published("CodeSystem-resource-types")["concept"])
    assert definitions.resource_types() == listed - {"Resource", "DomainResource"}
