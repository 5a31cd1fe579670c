"""Batch and transaction over HTTP: https://hl7.org/fhir/R4/http.html#transaction."""

from __future__ import annotations

import json
import re
from typing import Any

URN = "urn:uuid:6f1b3c52-0a53-4e2c-9d19-0b1f8f5e7a01"


def bundle(kind: str, *entries: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def entry(method: str, url: str, resource: Any = None, **more: Any) -> dict[str, Any]:
    request = {"method": method, "url": url, **{k: v for k, v in more.items() if k != "fullUrl"}}
    made: dict[str, Any] = {"request": request}
    if resource is not None:
        made["resource"] = resource
    if "fullUrl" in more:
        made["fullUrl"] = more["fullUrl"]
    return made


def count(client: Any, kind: str) -> int:
    return int(client.get(f"/fhir/{kind}?_summary=count").json()["total"])


def test_a_transaction_stores_all_and_links_its_entries(client: Any) -> None:
    observation = json.loads(client.observation(URN))
    sent = bundle(
        "transaction",
        entry("POST", "Observation", observation),
        entry("POST", "Patient", client.patient(), fullUrl=URN),
        entry("GET", "Patient?_count=1"),
    )
    answer = client.send_fhir("POST", "/fhir", sent)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["type"] == "transaction-response"
    first, second, third = told["entry"]
    assert [first["response"]["status"], second["response"]["status"]] == ["201 Created", "201 Created"]
    assert third["resource"]["type"] == "searchset"
    assert re.fullmatch(r"Patient/[^/]+/_history/1", second["response"]["location"])
    assert first["response"]["etag"] == 'W/"1"'
    assert first["resource"]["subject"]["reference"] == f"Patient/{second['resource']['id']}"
    assert client.get(f"/fhir/Observation/{first['resource']['id']}").json() == first["resource"]


def test_prefer_minimal_leaves_the_resources_out(client: Any) -> None:
    sent = bundle("transaction", entry("POST", "Patient", client.patient()))
    told = client.send_fhir("POST", "/fhir", sent, prefer="return=minimal").json()
    assert "resource" not in told["entry"][0]
    told = client.send_fhir("POST", "/fhir/", sent, prefer="return=OperationOutcome").json()
    assert told["entry"][0]["response"]["outcome"]["resourceType"] == "OperationOutcome"


def test_a_transaction_with_one_bad_entry_stores_nothing(client: Any) -> None:
    before = count(client, "Patient"), count(client, "Observation")
    sent = bundle(
        "transaction",
        entry("POST", "Patient", client.patient(), fullUrl=URN),
        entry("POST", "Observation", json.loads(client.observation(URN)) | {"status": "bogus"}),
    )
    issue = client.refusal(client.send_fhir("POST", "/fhir", sent), 422)
    assert issue["expression"][0].startswith("Bundle.entry[1].resource")
    assert (count(client, "Patient"), count(client, "Observation")) == before


def test_a_batch_answers_each_entry_for_itself(client: Any) -> None:
    reference = client.new_patient()
    sent = bundle(
        "batch",
        entry("GET", reference),
        entry("GET", "Patient/never-was"),
        entry("POST", "Patient", client.patient()),
        entry("POST", "Patient", {"resourceType": "Patient", "gender": "bogus"}),
        entry("DELETE", reference),
        entry("GET", f"{reference}/_history"),
    )
    told = client.send_fhir("POST", "/fhir", sent).json()
    statuses = [each["response"]["status"][:3] for each in told["entry"]]
    assert told["type"] == "batch-response"
    assert statuses == ["200", "404", "201", "422", "204", "200"]
    for failed in (told["entry"][1], told["entry"][3]):
        assert failed["response"]["outcome"]["resourceType"] == "OperationOutcome"
    assert [each["request"]["method"] for each in told["entry"][5]["resource"]["entry"]] == ["DELETE", "POST"]


def test_what_is_no_request_bundle_is_refused(client: Any) -> None:
    for sent, status in (
        (bundle("collection"), 422),
        (bundle("transaction", {"resource": client.patient()}), 422),
        (bundle("transaction", entry("POST", "Medication", {"resourceType": "Medication"})), 422),
        (bundle("transaction", entry("BREW", "Patient", client.patient())), 422),
        (bundle("transaction", entry("GET", "Patient/never-was")), 404),
        (bundle("transaction", entry("POST", "Patient", client.patient(), ifNoneExist="no-such=1")), 422),
        ({"resourceType": "Patient"}, 422),
    ):
        client.refusal(client.send_fhir("POST", "/fhir", sent), status)


def test_an_empty_batch_is_answered_by_an_empty_one(client: Any) -> None:
    told = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": "batch"}).json()
    assert told == {"resourceType": "Bundle", "type": "batch-response"}


def test_a_conditional_create_inside_finds_what_is_there(client: Any) -> None:
    patient = client.patient()
    identifier = patient["identifier"][0]
    condition = f"identifier={identifier['system']}|{identifier['value']}"
    sent = bundle("transaction", entry("POST", "Patient", patient, ifNoneExist=condition))
    first, second = (client.send_fhir("POST", "/fhir", sent).json()["entry"][0] for _ in range(2))
    assert [first["response"]["status"], second["response"]["status"]] == ["201 Created", "200 OK"]
    assert first["response"]["location"] == second["response"]["location"]


def batch(client: Any, *urls: str) -> list[dict[str, Any]]:
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": "batch", "entry": entries})
    assert answer.status_code == 200, answer.text
    listed: list[dict[str, Any]] = answer.json()["entry"]
    return listed


def test_operations_in_a_batch_answer_as_by_themselves(client: Any) -> None:
    patient = client.new_patient()
    client.new_observation(patient, "2.50", "2026-03-01")
    client.new_observation(patient, "3.50", "2026-03-02")
    urls = (
        f"{patient}/$everything?_count=1",
        f"{patient}/$everything?start=2026-03-02",
        f"Observation/$lastn?subject={patient}",
        f"Observation/$stats?subject={patient}&code=8302-2&statistic=average&statistic=count",
        "ValueSet/$expand?url=http://hl7.org/fhir/ValueSet/observation-status&filter=amend",
        "ValueSet/side/$validate-code?code=left&system=urn:x",
        f"{patient}/$derive",
        f"Observation?subject={patient}&_summary=count",
        f"Observation?subject={patient}&_elements=status",
    )
    for url, entry in zip(urls, batch(client, *urls), strict=True):
        alone = client.get(f"/fhir/{url}")
        assert entry["response"]["status"] == "200 OK", entry
        expected = alone.json()
        for found in (expected, entry["resource"]):
            found.get("expansion", {}).pop("timestamp", None)
        assert entry["resource"] == expected, url


def test_a_bad_parameter_in_a_batch_answers_as_by_itself(client: Any) -> None:
    patient = client.new_patient()
    urls = (
        "Observation?colour=red",
        "Observation?date=yesterday",
        "Observation?_count=x",
        f"{patient}/$everything?start=never",
        f"{patient}/$everything?_type=Nonsense",
        "Observation/$lastn",
        f"Observation/$stats?subject={patient}",
        "ValueSet/$expand",
        "ValueSet/$expand?url=urn:x",
        "ValueSet/$expand?url=http://hl7.org/fhir/ValueSet/mimetypes",
        "Patient/$foo",
        f"{patient}/$lastn",
        "Patient/never-was/$everything",
    )
    for url, entry in zip(urls, batch(client, *urls), strict=True):
        alone = client.get(f"/fhir/{url}")
        assert entry["response"]["status"].startswith(str(alone.status_code)), url
        assert alone.status_code in (400, 404, 422)
        assert entry["response"]["outcome"]["issue"][0]["code"] == alone.json()["issue"][0]["code"], url


def test_an_operation_is_asked_for_by_get_in_a_bundle_only(client: Any) -> None:
    patient = client.new_patient()
    for method, url in (
        ("DELETE", f"{patient}/$everything"),
        ("POST", "Patient/$validate"),
        ("GET", "Patient/$validate"),
    ):
        entry: dict[str, Any] = {"request": {"method": method, "url": url}}
        if method == "POST":
            entry["resource"] = {"resourceType": "Patient"}
        answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": "batch", "entry": [entry]})
        assert answer.json()["entry"][0]["response"]["status"][0] == "4", answer.text
