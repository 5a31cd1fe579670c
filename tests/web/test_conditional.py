"""Conditional changes, patches, and parts of resources, as a client meets them."""

from __future__ import annotations

import base64
import json
from typing import Any
from urllib.parse import urlencode

import pytest

PATCH = {"content-type": "application/json-patch+json"}


def condition_of(patient: dict[str, Any]) -> str:
    identifier = patient["identifier"][0]
    return urlencode({"identifier": f"{identifier['system']}|{identifier['value']}"})


def patch_of(*operations: dict[str, Any]) -> bytes:
    return json.dumps(operations).encode()


def test_a_conditional_update_makes_changes_or_refuses(client: Any) -> None:
    """https://hl7.org/fhir/R4/http.html#cond-update: no match creates, one is updated, more are refused."""
    patient = client.patient()
    where = f"/fhir/Patient?{condition_of(patient)}"
    made = client.send_fhir("PUT", where, patient)
    assert made.status_code == 201, made.text
    ident = made.json()["id"]
    changed = client.send_fhir("PUT", where, {**patient, "gender": "female"})
    assert (changed.status_code, changed.json()["id"], changed.headers["etag"]) == (200, ident, 'W/"2"')
    client.refusal(client.send_fhir("PUT", where, {**patient, "id": "another"}), 422)
    client.refusal(client.send_fhir("PUT", where, patient, if_match='W/"1"'), 412)
    client.new_patient(identifier=patient["identifier"])
    client.refusal(client.send_fhir("PUT", where, patient), 412)


def test_a_conditional_update_that_finds_nothing_keeps_the_id_it_is_sent(client: Any) -> None:
    patient = client.patient(id="chosen-by-the-client")
    made = client.send_fhir("PUT", f"/fhir/Patient?{condition_of(patient)}", patient)
    assert (made.status_code, made.json()["id"]) == (201, "chosen-by-the-client")


def test_a_conditional_delete_deletes_one_or_nothing(client: Any) -> None:
    patient = client.patient()
    where = f"/fhir/Patient?{condition_of(patient)}"
    assert client.delete(where).status_code == 204
    first = client.new_patient(identifier=patient["identifier"])
    second = client.new_patient(identifier=patient["identifier"])
    client.refusal(client.delete(where), 412)
    assert client.delete(f"/fhir/{second}").status_code == 204
    assert client.delete(where).status_code == 204
    client.refusal(client.get(f"/fhir/{first}"), 410)


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize("query", ["", "_count=1", "colour=red", "birthdate=rubbish"])
def test_a_condition_that_says_nothing_changes_nothing(client: Any, method: str, query: str) -> None:
    body = json.dumps(client.patient()) if method == "PUT" else "[]"
    headers = PATCH if method == "PATCH" else {"content-type": "application/fhir+json"}
    client.refusal(client.request(method, f"/fhir/Patient?{query}", content=body, headers=headers), 400)


def test_a_patch_changes_what_it_names_and_nothing_else(client: Any) -> None:
    observation = client.new_observation(client.new_patient(), value="1.50")
    patch = patch_of(
        {"op": "test", "path": "/status", "value": "final"},
        {"op": "replace", "path": "/status", "value": "amended"},
        {"op": "add", "path": "/note", "value": [{"text": "invented"}]},
    )
    answer = client.patch(f"/fhir/{observation}", content=patch, headers={**PATCH, "if-match": 'W/"1"'})
    assert answer.status_code == 200, answer.text
    assert (answer.json()["status"], answer.headers["etag"]) == ("amended", 'W/"2"')
    assert '"value":1.50' in answer.text
    client.refusal(client.patch(f"/fhir/{observation}", content=patch, headers=PATCH), 409)
    client.refusal(client.patch(f"/fhir/{observation}", content=b"[]", headers={**PATCH, "if-match": 'W/"1"'}), 412)


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"{", 400),
        (b"{}", 422),
        (b'[{"op":"remove","path":"/colour"}]', 422),
        (b'[{"op":"replace","path":"/gender","value":"bogus"}]', 422),
        (b'[{"op":"replace","path":"/id","value":"other"}]', 422),
        (b'[{"op":"replace","path":"/resourceType","value":"Group"}]', 422),
        (b'[{"op":"replace","path":"","value":[]}]', 422),
        (b'[{"op":"add","path":"/managingOrganization","value":{"reference":"Organization/none"}}]', 422),
    ],
)
def test_a_patch_meets_the_checks_of_an_update(client: Any, body: bytes, status: int) -> None:
    patient = client.new_patient(gender="male")
    client.refusal(client.patch(f"/fhir/{patient}", content=body, headers=PATCH), status)
    assert client.get(f"/fhir/{patient}").headers["etag"] == 'W/"1"'


def test_a_patch_by_condition_and_what_cannot_be_patched(client: Any) -> None:
    patient = client.patient()
    where = f"/fhir/Patient?{condition_of(patient)}"
    patch = patch_of({"op": "add", "path": "/active", "value": True})
    client.refusal(client.patch(where, content=patch, headers=PATCH), 404)
    reference = client.new_patient(identifier=patient["identifier"])
    assert client.patch(where, content=patch, headers=PATCH).json()["active"] is True
    client.refusal(client.patch(f"/fhir/{reference}", content=patch), 415)
    client.refusal(client.send_fhir("PATCH", f"/fhir/{reference}", patch), 415)
    client.refusal(client.patch("/fhir/AuditEvent/x", content=patch, headers=PATCH), 405)
    client.delete(f"/fhir/{reference}")
    client.refusal(client.patch(f"/fhir/{reference}", content=patch, headers=PATCH), 410)


def binary(*operations: dict[str, Any]) -> dict[str, Any]:
    data = base64.b64encode(patch_of(*operations)).decode()
    return {"resourceType": "Binary", "contentType": "application/json-patch+json", "data": data}


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_conditions_and_patches_inside_a_bundle(client: Any, kind: str) -> None:
    known, absent, unseen = client.patient(), client.patient(), client.patient()
    reference = client.new_patient(identifier=known["identifier"])
    patched = client.new_patient()
    entries = [
        ("PUT", f"Patient?{condition_of(known)}", {**known, "gender": "other"}, {}),
        ("PUT", f"Patient?{condition_of(absent)}", absent, {}),
        ("DELETE", f"Patient?{condition_of(unseen)}", None, {}),
        ("PATCH", patched, binary({"op": "add", "path": "/active", "value": True}), {}),
        ("GET", patched, None, {"ifNoneMatch": 'W/"2"'}),
        ("GET", patched, None, {"ifNoneMatch": 'W/"1"'}),
        ("GET", patched, None, {"ifModifiedSince": "2999-01-01T00:00:00Z"}),
    ]
    bundle = {
        "resourceType": "Bundle",
        "type": kind,
        "entry": [
            {**({"resource": resource} if resource else {}), "request": {"method": method, "url": url, **more}}
            for method, url, resource, more in entries
        ],
    }
    answer = client.send_fhir("POST", "/fhir", bundle)
    assert answer.status_code == 200, answer.text
    made = answer.json()["entry"]
    statuses = [each["response"]["status"][:3] for each in made]
    assert statuses == ["200", "201", "204", "200", "304", "200", "304"]
    assert (made[0]["resource"]["id"], made[0]["resource"]["gender"]) == (reference.partition("/")[2], "other")
    assert made[3]["resource"]["active"] is True
    assert "resource" not in made[4]


def test_one_thing_under_two_names_refuses_the_transaction(client: Any) -> None:
    patient = client.patient()
    reference = client.new_patient(identifier=patient["identifier"])
    ident = reference.partition("/")[2]
    for other in (f"Patient?{condition_of(patient)}", reference):
        twice = {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [
                {"resource": {**patient, "id": ident}, "request": {"method": "PUT", "url": reference}},
                {"request": {"method": "DELETE", "url": other}},
            ],
        }
        client.refusal(client.send_fhir("POST", "/fhir", twice), 422)


def test_a_compartment_holds_one_patients_resources(client: Any) -> None:
    mine, other = client.new_patient(), client.new_patient()
    first = client.new_observation(mine, date="2026-03-01")
    second = client.new_observation(mine, date="2026-03-02")
    client.new_observation(other)
    whole = client.get(f"/fhir/{mine}/Observation", params={"_count": "1", "_total": "accurate"}).json()
    assert (whole["total"], whole["entry"][0]["resource"]["id"]) == (2, second.partition("/")[2])
    following = next(each["url"] for each in whole["link"] if each["relation"] == "next")
    assert f"/fhir/{mine}/Observation?" in following
    assert client.get(following).json()["entry"][0]["resource"]["id"] == first.partition("/")[2]
    narrowed = client.get(f"/fhir/{mine}/Observation", params={"date": "2026-03-01"}).json()
    assert [each["resource"]["id"] for each in narrowed["entry"]] == [first.partition("/")[2]]
    itself = client.get(f"/fhir/{mine}/Patient").json()
    assert [each["resource"]["id"] for each in itself["entry"]] == [mine.partition("/")[2]]
    client.refusal(client.get(f"/fhir/{mine}/Location"), 404)
    client.refusal(client.get(f"/fhir/{mine}/Nonsense"), 404)


def test_parts_of_resources_are_marked_and_stay_so_on_the_next_page(client: Any) -> None:
    subject = client.new_patient()
    reference = client.new_observation(subject)
    client.new_observation(subject)
    part = client.get(f"/fhir/{reference}", params={"_elements": "status"})
    assert part.json().keys() == {"resourceType", "id", "meta", "status", "code"}
    assert part.json()["meta"]["tag"][0]["code"] == "SUBSETTED"
    assert part.headers["etag"] == 'W/"1"'
    version = client.get(f"/fhir/{reference}/_history/1", params={"_summary": "text"}).json()
    assert "subject" not in version
    query = {"subject": subject, "_summary": "data", "_count": "1"}
    page = client.get("/fhir/Observation", params=query).json()
    following = next(each["url"] for each in page["link"] if each["relation"] == "next")
    for bundle in (page, client.get(following).json()):
        assert bundle["entry"][0]["resource"]["meta"]["tag"][0]["code"] == "SUBSETTED"
    assert client.get(f"/fhir/{reference}?_summary=false").json()["subject"] == {"reference": subject}
    client.refusal(client.get(f"/fhir/{reference}?_elements=colour"), 400)
    client.refusal(client.get(f"/fhir/{reference}?_summary=everything"), 400)


FHIR = {"content-type": "application/fhir+json"}


def fhirpath(*operations: tuple[tuple[str, str, Any], ...]) -> bytes:
    """A FHIRPath Patch of operations, each of (name, key of the value, value)."""
    listed = [{"name": "operation", "part": [{"name": n, key: v} for n, key, v in parts]} for parts in operations]
    return json.dumps({"resourceType": "Parameters", "parameter": listed}).encode()


def test_a_fhirpath_patch_changes_what_it_names_and_nothing_else(client: Any) -> None:
    observation = client.new_observation(client.new_patient(), "12.50")
    patch = fhirpath(
        (("type", "valueCode", "replace"), ("path", "valueString", "Observation.status"),
         ("value", "valueCode", "amended")),
        (("type", "valueCode", "add"), ("path", "valueString", "Observation"), ("name", "valueString", "note"),
         ("value", "valueAnnotation", {"text": "invented"})),
    )  # fmt: skip
    answer = client.patch(f"/fhir/{observation}", content=patch, headers={**FHIR, "if-match": 'W/"1"'})
    assert answer.status_code == 200, answer.text
    assert (answer.json()["status"], answer.json()["note"]) == ("amended", [{"text": "invented"}])
    assert '"value":12.50' in answer.text
    client.refusal(client.patch(f"/fhir/{observation}", content=patch, headers={**FHIR, "if-match": 'W/"1"'}), 412)
    bad = fhirpath((("type", "valueCode", "replace"), ("path", "valueString", "Observation.status"),
                    ("value", "valueCode", "bogus")))  # fmt: skip
    client.refusal(client.patch(f"/fhir/{observation}", content=bad, headers=FHIR), 422)
    nowhere = fhirpath((("type", "valueCode", "replace"), ("path", "valueString", "Observation.interpretation"),
                        ("value", "valueString", "x")))  # fmt: skip
    assert "nothing at this path" in client.refusal(
        client.patch(f"/fhir/{observation}", content=nowhere, headers=FHIR), 422
    )["details"]["text"]  # fmt: skip
    identity = fhirpath((("type", "valueCode", "replace"), ("path", "valueString", "Observation.id"),
                         ("value", "valueId", "other")))  # fmt: skip
    client.refusal(client.patch(f"/fhir/{observation}", content=identity, headers=FHIR), 422)


def test_a_fhirpath_patch_in_a_bundle_and_by_condition(client: Any) -> None:
    patient = client.new_patient(active=True)
    patch = json.loads(fhirpath((("type", "valueCode", "delete"), ("path", "valueString", "Patient.active"))))
    entry = {"resource": patch, "request": {"method": "PATCH", "url": patient}}
    answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    assert answer.status_code == 200, answer.text
    assert "active" not in client.get(f"/fhir/{patient}").json()
    where = f"/fhir/Patient?_id={patient.removeprefix('Patient/')}"
    patch = fhirpath((("type", "valueCode", "add"), ("path", "valueString", "Patient"),
                      ("name", "valueString", "active"), ("value", "valueBoolean", False)))  # fmt: skip
    assert client.patch(where, content=patch, headers=FHIR).json()["active"] is False


@pytest.mark.parametrize(
    ("body", "headers", "says"),
    [
        (b"{}", PATCH, "array of operations"),
        (b"{}", FHIR, "FHIRPath Patch is a Parameters resource"),
        (b'{"resourceType":"Patient"}', FHIR, "FHIRPath Patch is a Parameters resource"),
        (b"null", PATCH, "array of operations"),
        (b"[1]", PATCH, "no operation"),
        (b"[]", FHIR, "an array is a json patch"),
    ],
)
def test_what_is_no_patch_is_explained(client: Any, body: bytes, headers: dict[str, str], says: str) -> None:
    answer = client.patch(f"/fhir/{client.new_patient()}", content=body, headers=headers)
    issue = client.refusal(answer, 415 if says.startswith("an array is") else 422)
    assert says.lower() in issue["details"]["text"].lower()
    assert "None" not in answer.text
    assert issue["diagnostics"]
