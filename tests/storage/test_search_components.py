"""Searches that look into components, on both databases, against what R4's examples say of themselves.

What each parameter looks into: https://hl7.org/fhir/R4/observation.html#search.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from service.domain.actor import Actor
from service.errors import Invalid
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.fhir.text import parse as read_text
from service.storage.records import Records

HERE = Actor("test", "Test (invented)", "local")
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"


def part(code: str, **value: Any) -> Json:
    return {"code": {"coding": [{"system": LOINC, "code": code}]}, **value}


def amount(value: Any, unit: str = "mm[Hg]") -> Json:
    return {"valueQuantity": {"value": value, "unit": unit, "system": UCUM, "code": unit}}


def answer(code: str) -> Json:
    return {"valueCodeableConcept": {"coding": [{"system": "https://answers.example", "code": code}]}}


def observation(name: str, code: str, *components: Json, **more: Any) -> Json:
    own = {"coding": [{"system": LOINC, "code": code}]}
    made: Json = {"resourceType": "Observation", "id": name, "status": "final", "code": own, **more}
    made |= {"subject": {"reference": "Patient/a"}}
    return made | ({"component": list(components)} if components else {})


UNKNOWN = {"dataAbsentReason": {"coding": [{"code": "not-performed"}]}}
STORED = (
    observation("pressure", "85354-9", part("8480-6", **amount(120)), part("8462-4", **amount(80))),
    observation("high", "85354-9", part("8480-6", **amount(165)), part("8462-4", **amount(95))),
    observation("no-lower", "85354-9", part("8480-6", **amount(120)), part("8462-4", **UNKNOWN)),
    observation("alone", "8480-6", **amount(120)),
    observation("answered", "9-9", part("1-1", **answer("x")), part("2-2", **answer("y"))),
    observation("itself", "1-1", **answer("x")),
    observation("at-least", "85354-9", part("8480-6", valueQuantity={"value": 300, "comparator": ">", "unit": "mmHg"})),
    observation("length", "7-7", part("7-8", **amount(2, "cm"))),
    observation("plain", "7-9", **amount(2, "cm")),
)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def stored(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Records]:
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path_factory.mktemp('components') / 'record.sqlite'}"
    else:
        make: Callable[[str | None], str] = request.getfixturevalue("postgresql")
        url = make(None)
    records = Records.create(url)
    with records.write(HERE) as writer:
        writer.create({"resourceType": "Patient"}, id="a")
        for resource in STORED:
            writer.create(read_text(json.dumps(resource)), id=str(resource["id"]))
    yield records
    records.close()
    if request.param == "postgresql":
        request.getfixturevalue("postgresql").drop(sa.make_url(url).database)


PRESSURES = {"pressure", "high", "no-lower", "at-least"}
CASES: tuple[tuple[dict[str, str], set[str]], ...] = (
    ({"component-code": f"{LOINC}|8480-6"}, PRESSURES),
    ({"component-code": "8480-6,7-8"}, {*PRESSURES, "length"}),
    ({"component-code": f"{LOINC}|"}, {*PRESSURES, "answered", "length"}),
    ({"component-code": "|8480-6"}, set()),
    ({"component-code:missing": "true"}, {"alone", "itself", "plain"}),
    ({"component-code:not": "8480-6"}, {"alone", "answered", "itself", "length", "plain"}),
    ({"combo-code": "8480-6"}, {*PRESSURES, "alone"}),
    ({"combo-code:not": "8480-6"}, {"answered", "itself", "length", "plain"}),
    ({"combo-code": "8480-6", "component-code": "8462-4"}, {"pressure", "high", "no-lower"}),
    ({"component-value-quantity": f"120|{UCUM}|mm[Hg]"}, {"pressure", "no-lower"}),
    ({"component-value-quantity": f"gt160|{UCUM}|mm[Hg]"}, {"high"}),
    ({"component-value-quantity": "gt160||mmHg"}, {"at-least"}),
    ({"component-value-quantity": f"20|{UCUM}|mm"}, {"length"}),
    ({"component-value-quantity:missing": "false"}, {*PRESSURES, "length"}),
    ({"combo-value-quantity": f"120|{UCUM}|mm[Hg]"}, {"pressure", "no-lower", "alone"}),
    ({"combo-value-quantity": f"2.0|{UCUM}|cm"}, {"length", "plain"}),
    ({"combo-value-quantity:missing": "true"}, {"answered", "itself"}),
    ({"component-value-concept": "y"}, {"answered"}),
    ({"combo-value-concept": "https://answers.example|x"}, {"answered", "itself"}),
    ({"component-data-absent-reason": "not-performed"}, {"no-lower"}),
    ({"combo-data-absent-reason": "not-performed"}, {"no-lower"}),
    ({"component-code-value-quantity": f"8480-6$lt130|{UCUM}|mm[Hg]"}, {"pressure", "no-lower"}),
    ({"component-code-value-quantity": f"8462-4$120|{UCUM}|mm[Hg]"}, set()),
    ({"combo-code-value-quantity": f"8480-6$120|{UCUM}|mm[Hg]"}, {"pressure", "no-lower", "alone"}),
    ({"component-code-value-concept": "1-1$y"}, set()),
    ({"component-code-value-concept": "2-2$y,1-1$y"}, {"answered"}),
    ({"combo-code-value-concept": "1-1$x"}, {"answered", "itself"}),
    ({"combo-code": "8480-6", "date:missing": "true", "subject": "Patient/a", "_sort": "_id"}, {*PRESSURES, "alone"}),
)


@pytest.mark.parametrize(("pairs", "expected"), CASES, ids=lambda value: str(value) if isinstance(value, dict) else "")
def test_a_search_of_components_finds(stored: Records, pairs: dict[str, str], expected: set[str]) -> None:
    with stored.read() as reader:
        page = reader.search(parse("Observation", [*pairs.items(), ("_total", "accurate")]))
    assert {one.id for one in page.matches} == expected
    assert page.total == len(expected)


def test_a_search_that_leads_to_observations_looks_into_components_too(stored: Records) -> None:
    with stored.read() as reader:
        found = reader.search(parse("Patient", [("_has:Observation:patient:combo-code", "2-2")])).matches
    assert [one.id for one in found] == ["a"]


def test_components_have_no_words_and_no_order_here() -> None:
    for name, value in (("component-code:text", "x"), ("_sort", "component-code"), ("_sort", "combo-code")):
        with pytest.raises(Invalid):
            parse("Observation", [(name, value)])
