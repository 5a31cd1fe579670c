"""What codes say, as a client of a terminology asks: expansion, membership, look-up and translation.

Names and meaning of inputs and results: R4's OperationDefinitions ValueSet-expand, ValueSet-validate-code,
CodeSystem-lookup and ConceptMap-translate.
"""

from __future__ import annotations

import json
import os
import tarfile
from pathlib import Path
from typing import Any

import pytest

from service.fhir.canonical import BASE

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "hl7.fhir.r4.core-4.0.1.tgz"
SITES = f"{BASE}/ValueSet/body-site"
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"


def got(client: Any, path: str, **query: str) -> dict[str, Any]:
    answer = client.get(f"/fhir/{path}", params=query)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def sent(client: Any, path: str, *parameters: dict[str, Any]) -> dict[str, Any]:
    answer = client.send_fhir("POST", f"/fhir/{path}", {"resourceType": "Parameters", "parameter": list(parameters)})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def told(parameters: dict[str, Any], name: str) -> list[Any]:
    """The values of the parameters of that name; of one with parts, the parts by their names."""
    found: list[Any] = []
    for each in parameters.get("parameter", parameters.get("part", [])):
        if each["name"] == name:
            value = [value for key, value in each.items() if key.startswith("value")]
            found.append(value[0] if value else {part["name"]: told(each, part["name"])[0] for part in each["part"]})
    return found


def test_a_value_set_is_listed_whole_by_its_address_its_id_and_in_a_body(client: Any) -> None:
    whole = got(client, "ValueSet/$expand", url=SITES)
    listed = whole["expansion"]["contains"]
    system = got(client, "CodeSystem/body-site")
    assert [(each["code"], each["display"]) for each in listed] == [
        (concept["code"], concept["display"]) for concept in system["concept"]
    ]
    assert {each["system"] for each in listed} == {system["url"]}
    assert whole["expansion"]["total"] == len(listed)
    assert "compose" not in whole
    for again in (
        got(client, "ValueSet/body-site/$expand"),
        got(client, "ValueSet/$expand", url=f"{SITES}|{whole['version']}"),
        sent(client, "ValueSet/$expand", {"name": "url", "valueUri": SITES}),
        sent(client, "ValueSet/body-site/$expand"),
    ):
        assert again["expansion"]["contains"] == listed
    assert "compose" in got(client, "ValueSet/body-site/$expand", includeDefinition="true")


def test_a_list_is_filtered_and_paged(client: Any) -> None:
    listed = got(client, "ValueSet/body-site/$expand")["expansion"]["contains"]
    page = got(client, "ValueSet/body-site/$expand", offset="3", count="4")["expansion"]
    assert (page["contains"], page["total"], page["offset"]) == (listed[3:7], len(listed), 3)
    assert page["parameter"] == [{"name": "offset", "valueInteger": 3}, {"name": "count", "valueInteger": 4}]
    found = got(client, "ValueSet/body-site/$expand", filter="INDEX left")["expansion"]
    assert found["total"] == len(found["contains"]) > 1
    for each in found["contains"]:
        assert "index" in each["display"].lower() + each["code"]
        assert "left" in each["display"].lower() + each["code"]
    counted = got(client, "ValueSet/body-site/$expand", count="0")["expansion"]
    assert ("contains" in counted, counted["total"]) == (False, len(listed))


def test_every_value_set_that_is_published_can_be_expanded(client: Any) -> None:
    page: dict[str, Any] | None = got(client, "ValueSet", _count="1000")
    assert page is not None
    assert page["total"] == len(page["entry"]) > 100
    for entry in page["entry"]:
        value_set = entry["resource"]
        expansion = got(client, f"ValueSet/{value_set['id']}/$expand")["expansion"]
        listed = sum(len(part.get("concept", ())) for part in value_set["compose"]["include"])
        assert expansion["total"] >= max(1, listed)


@pytest.mark.skipif(not PACKAGE.exists(), reason=f"the R4 core package is not at {PACKAGE}")
@pytest.mark.parametrize("name", ["administrative-gender", "observation-status", "event-status"])
def test_a_value_set_that_r4_requires_is_listed_as_r4_lists_it(client: Any, name: str) -> None:
    with tarfile.open(PACKAGE) as archive:
        stream = archive.extractfile(f"package/CodeSystem-{name}.json")
        assert stream is not None
        concepts = json.loads(stream.read())["concept"]
    codes = {each["code"] for concept in concepts for each in (concept, *concept.get("concept", ()))}
    found = got(client, "ValueSet/$expand", url=f"http://hl7.org/fhir/ValueSet/{name}")
    assert {each["code"] for each in found["expansion"]["contains"]} == codes
    assert found["version"] == "4.0.1"


def test_what_cannot_be_expanded_is_refused(client: Any) -> None:
    for status, query in (
        (404, f"url={SNOMED}?fhir_vs"),
        (404, f"url={SITES}|9.9.9"),
        (404, f"url={SITES}&valueSetVersion=2"),
        (404, "url=http://hl7.org/fhir/ValueSet/nothing"),
        (422, "url=http://hl7.org/fhir/ValueSet/mimetypes"),
        (400, ""),
        (400, f"url={SITES}&count=-1"),
        (400, f"url={SITES}&url={SITES}"),
        (400, f"url={SITES}&valueSet=x"),
        (400, f"url={SITES}&activeOnly=yes"),
    ):
        client.refusal(client.get(f"/fhir/ValueSet/$expand?{query}"), status)
    client.refusal(client.get("/fhir/ValueSet/nothing/$expand"), 404)
    lenient = client.get(f"/fhir/ValueSet/$expand?url={SITES}&valueSet=x", headers={"prefer": "handling=lenient"})
    assert lenient.status_code == 200


def test_whether_a_code_is_in_a_value_set(client: Any) -> None:
    system, code = f"{BASE}/CodeSystem/side", "left"
    path = "ValueSet/side/$validate-code"
    yes = got(client, path, system=system, code=code)
    assert (told(yes, "result"), told(yes, "display")) == ([True], ["left"])
    right = got(client, path, system=system, code=code, display="LEFT")
    assert told(right, "result") == [True]
    wrong = got(client, path, system=system, code=code, display="right")
    assert (told(wrong, "result"), told(wrong, "display")) == ([False], ["left"])
    assert "'left'" in told(wrong, "message")[0]
    for no in (got(client, path, system=system, code="middle"), got(client, path, system="urn:other", code=code)):
        assert told(no, "result") == [False]
        assert told(no, "message")
    coding = {"system": system, "code": code}
    by_url = {"name": "url", "valueUri": f"{BASE}/ValueSet/side"}
    for parameter in (
        {"name": "coding", "valueCoding": coding},
        {"name": "codeableConcept", "valueCodeableConcept": {"coding": [{"system": "urn:x", "code": "y"}, coding]}},
    ):
        assert told(sent(client, "ValueSet/$validate-code", by_url, parameter), "result") == [True]
    for query in ("code=left", "system=urn:x", "", f"coding={system}|left"):
        client.refusal(client.get(f"/fhir/{path}?{query}"), 400)
    answer = client.get("/fhir/ValueSet/$validate-code?url=http://hl7.org/fhir/ValueSet/mimetypes&system=x&code=y")
    client.refusal(answer, 422)


def test_what_a_code_says(client: Any) -> None:
    system = got(client, "CodeSystem/observation-code")
    for concept in system["concept"][:50]:
        found = got(client, "CodeSystem/$lookup", system=system["url"], code=concept["code"])
        assert told(found, "name") == [system["title"]]
        assert told(found, "version") == [system["version"]]
        assert told(found, "display") == [concept["display"]]
        facts = {each["code"]: each["value"] for each in told(found, "property")}
        stated = {each["code"]: each["valueString"] for each in concept["property"]}
        assert facts == stated | ({"definition": concept["definition"]} if "definition" in concept else {})
    one = system["concept"][0]["code"]
    coding = {"name": "coding", "valueCoding": {"system": system["url"], "code": one}}
    narrowed = sent(client, "CodeSystem/$lookup", coding, {"name": "property", "valueCode": "kind"})
    assert [each["code"] for each in told(narrowed, "property")] == ["kind"]
    for status, query in (
        (404, f"system={SNOMED}&code=71388002"),
        (404, f"system={system['url']}&code=nothing"),
        (404, f"system={system['url']}&code={one}&version=7"),
        (400, f"code={one}"),
        (400, ""),
    ):
        client.refusal(client.get(f"/fhir/CodeSystem/$lookup?{query}"), status)


def test_a_code_is_translated_as_far_as_the_two_agree(client: Any) -> None:
    """Every mapping of the published map is found, and turned round."""
    concept_map = got(client, "ConceptMap/observation-code")
    for group in concept_map["group"]:
        for element in group["element"][:40]:
            found = got(client, "ConceptMap/$translate", system=group["source"], code=element["code"])
            assert told(found, "result") == [True]
            matches = told(found, "match")
            for target in element["target"]:
                concept = {"system": group["target"], "code": target["code"], "display": target["display"]}
                wanted = {"equivalence": target["equivalence"], "concept": concept, "source": concept_map["url"]}
                assert wanted in matches
                back = got(client, "ConceptMap/observation-code/$translate", system=group["target"],
                           code=target["code"], reverse="true")  # fmt: skip
                turned = {"wider": "narrower", "equivalent": "equivalent"}[target["equivalence"]]
                assert (turned, element["code"]) in {
                    (m["equivalence"], m["concept"]["code"]) for m in told(back, "match")
                }


def test_a_code_without_a_translation_and_a_map_that_is_not_there(client: Any) -> None:
    nothing = got(client, "ConceptMap/$translate", system="urn:x", code="y")
    assert told(nothing, "result") == [False]
    assert told(nothing, "message")
    element = got(client, "ConceptMap/observation-code")["group"][0]
    code = {"name": "code", "valueCode": element["element"][0]["code"]}
    system = {"name": "system", "valueUri": element["source"]}
    only = {"name": "targetsystem", "valueUri": element["target"]}
    other = {"name": "targetsystem", "valueUri": "urn:other"}
    assert told(sent(client, "ConceptMap/$translate", code, system, only), "result") == [True]
    assert told(sent(client, "ConceptMap/$translate", code, system, other), "result") == [False]
    for status, query in (
        (404, "url=urn:x&system=urn:x&code=y"),
        (404, "conceptMapVersion=7&system=urn:x&code=y"),
        (400, "code=y"),
        (400, "target=urn:x&code=y&system=z"),
    ):
        client.refusal(client.get(f"/fhir/ConceptMap/$translate?{query}"), status)


@pytest.mark.parametrize(
    ("method", "path", "says"),
    [
        ("GET", "/fhir/$foo", "the whole record"),
        ("POST", "/fhir/Patient/$foo", "the type Patient"),
        ("GET", "/fhir/Patient/1/$foo", "a resource of the type Patient"),
        ("GET", "/fhir/Observation/1/$lastn", "a resource of the type Observation"),
        ("GET", "/fhir/ValueSet/$everything", "the type ValueSet"),
        ("GET", "/fhir/Encounter/1/$everything", "a resource of the type Encounter"),
    ],
)
def test_an_operation_that_there_is_not_is_named(client: Any, method: str, path: str, says: str) -> None:
    issue = client.refusal(client.request(method, path), 404)
    assert issue["code"] == "not-supported"
    assert says in issue["details"]["text"]
    assert path.rpartition("/")[2] in issue["details"]["text"]
    if "Patient/1" in path:
        assert "$everything" in issue["diagnostics"]


@pytest.mark.parametrize(
    "body", [b"{}", b"[]", b"{", b'{"resourceType":"Parameters","parameter":1}',
             b'{"resourceType":"Parameters","parameter":[{"name":"url"}]}',
             b'{"resourceType":"Parameters","parameter":[{"name":"url","valueUri":null}]}',
             b'{"resourceType":"Parameters","parameter":[{"name":"count","valueInteger":-1}]}',
             b'{"resourceType":"Parameters","parameter":[{"valueUri":"urn:x"}]}',
             b'{"resourceType":"Parameters","parameter":[{"name":"colour","valueUri":"urn:x"}]}',
             b'{"resourceType":"Patient"}']
)  # fmt: skip
def test_inputs_that_are_none_are_refused_in_plain_words(client: Any, body: bytes) -> None:
    answer = client.send_fhir("POST", "/fhir/ValueSet/$expand", body)
    client.refusal(answer, 400)
    assert "None" not in answer.text
