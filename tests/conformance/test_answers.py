"""What operations answer is valid R4 to validators that this project did not write."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest

from service.domain.actor import LOCAL
from service.fhir import text
from service.fhir.canonical import BASE, code_system
from service.fhir.given import asked
from service.fhir.operations import find
from service.fhir.text import Json, parse
from service.storage.records import Records
from service.usecases.operations import carry_out

from .validators import complaints

LEFT = [("system", code_system("side")), ("code", "left")]
WANTED = [("subject", "Patient/a"), ("code", "w"), ("statistic", "average"), ("statistic", "std-dev")]
MOTION = [("system", code_system("observation-code")), ("code", "flexion-active-free")]
GRIP = [("system", "http://loinc.org"), ("code", "83173-5"), ("reverse", "true")]
ASKED: dict[str, tuple[str, str, str, list[tuple[str, str]]]] = {
    "expand": ("ValueSet", "", "expand", [("url", f"{BASE}/ValueSet/body-site"), ("count", "3"), ("filter", "index")]),
    "expand with its definition": ("ValueSet", "side", "expand", [("includeDefinition", "true")]),
    "expand nothing": ("ValueSet", "side", "expand", [("filter", "no such word")]),
    "validate-code": ("ValueSet", "side", "validate-code", LEFT),
    "validate-code, not in it": ("ValueSet", "mode-of-motion", "validate-code", LEFT),
    "lookup": ("CodeSystem", "", "lookup", MOTION),
    "translate": ("ConceptMap", "", "translate", GRIP),
    "translate nothing": ("ConceptMap", "", "translate", LEFT),
    "stats": ("Observation", "", "stats", [*WANTED, ("include", "true")]),
    "stats apart": ("Observation", "", "stats", [*WANTED, ("statistic", "variance"), ("apart", "true")]),
    "stats of nothing": ("Observation", "", "stats", [*WANTED[1:], ("subject", "Patient/b")]),
}  # fmt: skip


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Json]]:
    records = Records.create(f"sqlite:///{tmp_path_factory.mktemp('answers') / 'record.sqlite'}")
    with records.write(LOCAL) as writer:
        for ident in "ab":
            writer.create({"resourceType": "Patient"}, id=ident)
        for day in (1, 2):
            reading: Json = {
                "resourceType": "Observation",
                "status": "final",
                "code": {"coding": [{"system": "urn:example:codes", "code": "w"}]},
                "subject": {"reference": "Patient/a"},
                "effectiveDateTime": f"2026-03-0{day}",
                "valueQuantity": {
                    "value": Decimal(70 + day),
                    "unit": "kilogram",
                    "system": "http://unitsofmeasure.org",
                    "code": "kg",
                },
            }
            writer.create(reading)
    found: dict[str, Json] = {}
    with records.read() as reader:
        for name, (kind, ident, operation, pairs) in ASKED.items():
            declared = find(kind, operation)
            assert declared is not None
            done = carry_out(reader, LOCAL, asked(declared, kind, ident, pairs))
            assert done.resource is not None
            found[name] = parse(text.dump(done.resource))
    yield found
    records.close()


@pytest.mark.parametrize("validator", ["fhirkit", "models", "pyrofile"])
@pytest.mark.parametrize("name", ASKED)
def test_no_validator_complains_of_an_answer(answers: dict[str, Json], name: str, validator: str) -> None:
    assert [str(each) for each in complaints(validator, answers[name])] == []
