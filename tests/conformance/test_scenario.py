"""Every resource that the example clinic becomes is clean under every validator, its own and those from outside."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.exchange.scenario import load
from service.fhir import conformance
from service.fhir.canonical import BASE
from service.fhir.definitions import SERVED_TYPES
from service.fhir.reading import is_panel, kind_claimed
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.storage.reader import Reader
from service.storage.records import Records
from service.storage.stored import Stored

from .validators import VALIDATORS, complaints


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Json]]:
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('scenario') / 'record.sqlite'}")
    load(records, LOCAL)
    with records.read() as reader:
        found = [stored.resource for kind in SERVED_TYPES for stored in all_of(reader, kind)]
    records.close()
    return found


def all_of(reader: Reader, kind: str) -> Iterator[Stored]:
    cursor = ""
    while True:
        pairs = [("_count", "1000"), *([("_cursor", cursor)] if cursor else [])]
        page = reader.search(parse(kind, pairs))
        yield from page.matches
        if not page.next:
            return
        cursor = page.next


def test_the_example_clinic_becomes_readings_of_several_kinds(resources: list[Json]) -> None:
    kinds = {kind.name for resource in resources if (kind := kind_claimed(resource))}
    assert len(kinds) >= 3
    assert any(is_panel(resource) for resource in resources)
    assert {resource["resourceType"] for resource in resources} >= {"Patient", "Encounter", "Observation"}


@pytest.mark.parametrize("validator", VALIDATORS)
def test_no_validator_complains_of_the_example_clinic(resources: list[Json], validator: str) -> None:
    judged = one_of_each_code(resources) if validator == "pyrofile" else resources
    found = {
        f"{resource['resourceType']}/{resource['id']}: {complaint}"
        for resource in judged
        for complaint in complaints(validator, resource)
    }
    assert sorted(found) == []


def one_of_each_code(resources: list[Json]) -> list[Json]:
    """Of Observations with the same code and components only the first: this validator takes its time."""
    kept: dict[str, Json] = {}
    for resource in resources:
        alike = {c["code"]["coding"][0]["code"]: sorted(c) for c in resource.get("component", ())}
        same = f"{resource.get('code')} {sorted(alike.items())}"
        kept.setdefault(same if resource["resourceType"] == "Observation" else resource["id"], resource)
    return list(kept.values())


def addresses(value: Any) -> Iterator[str]:
    if isinstance(value, str) and value.startswith(f"{BASE}/"):
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from addresses(inner)


def test_every_address_of_ours_in_a_resource_leads_to_its_definition(resources: list[Json]) -> None:
    published = {each["url"] for each in conformance.resources().values()}
    used = {address for resource in resources for address in addresses(resource)}
    assert len(used) > 20
    assert used - published == set()
