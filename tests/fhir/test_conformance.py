"""The published definitions follow from the declarations, are complete, and are up to date in `schemas/`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings

from service.domain.anatomy import PERSON, SITE_TERMS
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement
from service.domain.terms import LOINC, SNOMED
from service.errors import NotFound
from service.fhir import conformance, terminology
from service.fhir.canonical import BASE, UCUM
from service.fhir.definitions import codes, resource_types
from service.fhir.observation import to_observation
from service.fhir.published import NOTICES
from service.fhir.text import Json, dump, parse

from .measurements import measurements

ROOT = Path(__file__).resolve().parents[2]
MADE = conformance.resources()


def of_type(name: str) -> dict[str, Json]:
    """The definitions of one type, by address."""
    return {each["url"]: each for each in MADE.values() if each["resourceType"] == name}


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for inner in value:
            yield from leaves(inner, path)
    else:
        yield path, value


def test_the_files_in_schemas_are_those_generated() -> None:
    assert conformance.stale(ROOT / "schemas") == []


def test_files_are_brought_up_to_date_and_left_ones_removed(tmp_path: Path) -> None:
    assert conformance.stale(tmp_path / "new") == sorted(MADE)
    assert conformance.write(tmp_path / "new") == sorted(MADE)
    assert conformance.write(tmp_path / "new") == []
    changed, left = "ValueSet-treatment.json", "CodeSystem-gone.json"
    (tmp_path / "new" / changed).write_text("{}")
    (tmp_path / "new" / left).write_text("{}")
    (tmp_path / "new" / "openapi.json").write_text("{}")
    assert conformance.stale(tmp_path / "new") == [left, changed]
    assert conformance.write(tmp_path / "new") == [left, changed]
    assert conformance.stale(tmp_path / "new") == []
    assert (tmp_path / "new" / "openapi.json").read_text() == "{}"


def test_files_are_the_same_bytes_when_generated_again() -> None:
    before = conformance.files()
    conformance.resources.cache_clear()
    terminology.systems.cache_clear()
    assert conformance.files() == before
    assert all(parse(text) == parse(dump(MADE[name])) for name, text in before.items())


@pytest.mark.parametrize("name", MADE)
def test_every_definition_says_what_it_is(name: str) -> None:
    resource = MADE[name]
    assert name == f"{resource['resourceType']}-{resource['id']}.json"
    assert resource["url"] == f"{BASE}/{resource['resourceType']}/{resource['id']}"
    assert re.fullmatch(r"[A-Z][A-Za-z0-9]*", resource["name"])
    assert resource["status"] in codes("http://hl7.org/fhir/ValueSet/publication-status")[
        "http://hl7.org/fhir/publication-status"
    ]  # fmt: skip
    assert resource["experimental"] is False
    assert resource["publisher"] == "Hand-therapy record project (invented publisher)"
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}", resource["date"])
    assert re.fullmatch(r"\d+\.\d+\.\d+", resource["version"])
    assert len(resource["description"]) > 20
    assert resource["resourceType"] in resource_types()


@pytest.mark.parametrize("name", MADE)
def test_the_notices_of_public_code_systems_travel_with_their_codes(name: str) -> None:
    texts = {value for _, value in leaves(MADE[name])}
    for system in (LOINC, SNOMED, UCUM):
        assert (NOTICES[system] in MADE[name].get("copyright", "")) == (system in texts)


def test_some_definitions_carry_each_notice() -> None:
    for notice in NOTICES.values():
        assert any(notice in each.get("copyright", "") for each in MADE.values())


def test_every_address_of_ours_that_is_pointed_at_exists() -> None:
    known = {each["url"] for each in MADE.values()}
    pointed = {
        value
        for each in MADE.values()
        for path, value in leaves(each)
        if isinstance(value, str) and value.startswith(BASE) and not path.endswith("expression")
    }
    assert pointed <= known


@settings(deadline=None, max_examples=150)
@given(measurements())
def test_every_code_of_a_reading_is_defined_with_its_display(measurement: Measurement) -> None:
    systems = of_type("CodeSystem")
    for coding in codings(to_observation(measurement)):
        system = systems.get(coding["system"])
        if system is None:
            assert not coding["system"].startswith(BASE)
        elif system["content"] == "complete":
            assert coding["code"] in {c["code"] for c in system["concept"]}
            display = {c["code"]: c["display"] for c in system["concept"]}[coding["code"]]
            assert coding.get("display", display) == display


def codings(value: Any) -> Iterator[Json]:
    if isinstance(value, dict):
        if "system" in value and "code" in value and "value" not in value:
            yield value
        for inner in value.values():
            yield from codings(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from codings(inner)


def test_the_axes_of_a_code_are_properties_of_its_concept() -> None:
    system = of_type("CodeSystem")[f"{BASE}/CodeSystem/observation-code"]
    concepts = {concept["code"]: concept for concept in system["concept"]}
    declared = {each["code"] for each in system["property"]}
    for kind in KINDS.values():
        for code, (term, axes) in kind.concepts.items():
            stated = {p["code"]: p["valueString"] for p in concepts[code]["property"]}
            assert stated == {"kind": kind.name, **{name.replace("_", "-"): answer for name, answer in axes.items()}}
            assert concepts[code]["display"] == term.display
            assert set(stated) <= declared
        assert set(kind.panel_concepts) <= set(concepts)
    assert system["count"] == len(concepts)


def test_value_sets_of_a_kind_hold_its_codes_and_sites_and_no_others() -> None:
    sets = of_type("ValueSet")
    for kind in KINDS.values():
        listed = sets[f"{BASE}/ValueSet/{kind.name}-code"]["compose"]["include"][0]["concept"]
        assert [concept["code"] for concept in listed] == list(kind.concepts)
        sites = {site.code for site in kind.places} - {PERSON}
        if sites:
            listed = sets[f"{BASE}/ValueSet/{kind.name}-site"]["compose"]["include"][0]["concept"]
            assert {concept["code"] for concept in listed} == sites
        if kind.units:
            (include,) = sets[f"{BASE}/ValueSet/{kind.name}-unit"]["compose"]["include"]
            assert include["system"] == UCUM
            assert [concept["code"] for concept in include["concept"]] == list(kind.units)


def test_maps_say_which_public_code_means_the_same_and_which_is_wider() -> None:
    """R4: `wider` says that the target is wider in meaning than the source (concept-map-equivalence)."""
    said = {
        (group["source"].rpartition("/")[2], element["code"], group["target"], target["code"], target["equivalence"])
        for each in of_type("ConceptMap").values()
        for group in each["group"]
        for element in group["element"]
        for target in element["target"]
    }
    terms = {"body-site": list(SITE_TERMS.values())}
    terms["observation-code"] = [term for kind in KINDS.values() for term, _ in kind.concepts.values()]
    declared = {
        (system, term.code, coding.system, coding.code, equivalence)
        for system, listed in terms.items()
        for term in listed
        for found, equivalence in ((term.same, "equivalent"), (term.broader, "wider"))
        for coding in found
    }
    assert said == declared
    assert {each[-1] for each in said} == {"equivalent", "wider"}


def test_a_definition_is_found_by_its_id_and_by_its_address() -> None:
    for resource in MADE.values():
        kind, url = resource["resourceType"], resource["url"]
        for name in (resource["id"], url, f"{url}|{resource['version']}"):
            assert conformance.find(kind, name) == resource
    for kind, name in (("ValueSet", "nothing"), ("ValueSet", f"{BASE}/ValueSet/treatment|0.0.0"), ("Patient", "1")):
        with pytest.raises(NotFound):
            conformance.find(kind, name)
