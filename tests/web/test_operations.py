"""`$everything`, `$lastn` and `$validate` over a real socket, on both databases."""

from __future__ import annotations

import json
from typing import Any

import pytest


def pages(client: Any, path: str) -> list[dict[str, Any]]:
    """The entries of all pages in turn."""
    entries: list[dict[str, Any]] = []
    following = path
    while following:
        bundle = client.get(following).json()
        assert bundle["resourceType"] == "Bundle", bundle
        entries += bundle.get("entry", [])
        following = next((each["url"] for each in bundle["link"] if each["relation"] == "next"), "")
    return entries


def names(entries: list[dict[str, Any]], mode: str = "match") -> list[str]:
    listed = [entry["resource"] for entry in entries if entry["search"]["mode"] == mode]
    return [f"{one['resourceType']}/{one['id']}" for one in listed]


@pytest.fixture(scope="module")
def record(client: Any) -> dict[str, Any]:
    """Two invented patients; what belongs to the first, and a practitioner it refers to."""
    mine, other = client.new_patient(), client.new_patient()
    staff = client.send_fhir("POST", "/fhir/Practitioner", {"resourceType": "Practitioner"}).json()
    held = [mine]
    for number in range(5):
        held.append(client.new_observation(mine, date=f"2026-03-0{number + 1}"))
    condition = {
        "resourceType": "Condition",
        "subject": {"reference": mine},
        "asserter": {"reference": f"Practitioner/{staff['id']}"},
    }
    held.append(f"Condition/{client.send_fhir('POST', '/fhir/Condition', condition).json()['id']}")
    client.new_observation(other)
    return {"patient": mine, "held": held, "staff": f"Practitioner/{staff['id']}"}


@pytest.mark.parametrize("count", [1, 2, 3, 50])
def test_everything_of_one_patient_and_nothing_of_another(client: Any, record: dict[str, Any], count: int) -> None:
    entries = pages(client, f"/fhir/{record['patient']}/$everything?_count={count}")
    matches = names(entries)
    assert len(matches) == len(set(matches))
    assert set(matches) == set(record["held"])
    assert matches[0] == record["patient"]
    assert names(entries, "include") == [record["staff"]]


def test_everything_of_some_types_since_a_moment(client: Any, record: dict[str, Any]) -> None:
    path = f"/fhir/{record['patient']}/$everything"
    assert set(names(pages(client, f"{path}?_type=Condition"))) == {record["held"][-1]}
    both = pages(client, f"{path}?_type=Condition,Practitioner")
    assert (names(both), names(both, "include")) == ([record["held"][-1]], [record["staff"]])
    assert pages(client, f"{path}?_since=2999-01-01") == []
    assert len(pages(client, f"{path}?_since=2020-01-01T00:00:00Z")) == len(record["held"]) + 1
    client.refusal(client.get(f"{path}?_type=Nonsense"), 400)
    client.refusal(client.get(f"{path}?_cursor=99."), 400)
    client.refusal(client.get(f"{path}?_cursor=rubbish"), 400)
    for wrong in ("start=yesterday", "begin=2026-01-01", "_count=x", "_since=1&_since=2", "_since=soon"):
        client.refusal(client.get(f"{path}?{wrong}"), 400)
    refused = client.refusal(client.get(f"{path}?_since=never"), 400)
    assert "_since" in refused["details"]["text"]
    assert "2026-03-01T10:00:00+01:00" in refused["diagnostics"]
    client.refusal(client.get("/fhir/Patient/never-was/$everything"), 404)


def test_everything_of_some_days_of_care(client: Any, record: dict[str, Any]) -> None:
    """R4: `start` and `end` are about care, not about the record; what names no day of care is not kept out."""
    path = f"/fhir/{record['patient']}/$everything"
    _, *readings, condition = record["held"]
    always = {record["patient"], condition}
    assert set(names(pages(client, f"{path}?start=2026-03-04"))) == {*always, *readings[3:]}
    assert set(names(pages(client, f"{path}?end=2026-03-02"))) == {*always, *readings[:2]}
    assert set(names(pages(client, f"{path}?start=2026-03-02&end=2026-03-03&_count=2"))) == {*always, *readings[1:3]}
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "start", "valueDate": "2026-03-04"}]}
    answer = client.send_fhir("POST", path, parameters)
    assert answer.status_code == 200, answer.text
    assert set(names(answer.json()["entry"])) == {*always, *readings[3:]}


def reading(subject: str, code: str, date: str, **more: Any) -> dict[str, Any]:
    coding = {"text": code} if code.istitle() else {"coding": [{"system": "urn:codes", "code": code}]}
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": coding,
        "subject": {"reference": subject},
        "effectiveDateTime": date,
        **more,
    }


def test_the_latest_of_each_code(client: Any) -> None:
    subject = client.new_patient()
    stored = {}
    for code, date in (
        ("grip", "2026-01-01"),
        ("grip", "2026-02-01"),
        ("grip", "2026-03-01"),
        ("pinch", "2026-01-15"),
        ("Swelling", "2026-01-10"),
        ("Swelling", "2026-01-11"),
        ("Colour", "2026-01-12"),
    ):
        stored[code, date] = client.send_fhir("POST", "/fhir/Observation", reading(subject, code, date)).json()["id"]
    wrong = reading(subject, "grip", "2026-04-01", status="entered-in-error")
    withdrawn = client.send_fhir("POST", "/fhir/Observation", wrong).json()["id"]

    def asked(query: str) -> list[str]:
        bundle = client.get(f"/fhir/Observation/$lastn?subject={subject}{query}").json()
        assert bundle["total"] == len(bundle.get("entry", []))
        return [entry["resource"]["id"] for entry in bundle["entry"]]

    newest = [("grip", "2026-03-01"), ("pinch", "2026-01-15"), ("Colour", "2026-01-12"), ("Swelling", "2026-01-11")]
    assert asked("") == [stored[key] for key in newest]
    two = [*newest[:1], ("grip", "2026-02-01"), *newest[1:], ("Swelling", "2026-01-10")]
    assert asked("&max=2") == [stored[key] for key in two]
    assert asked("&code=grip") == [stored["grip", "2026-03-01"]]
    assert asked("&code=grip,pinch&date=lt2026-02-15") == [stored["grip", "2026-02-01"], stored["pinch", "2026-01-15"]]
    assert asked("&status=entered-in-error") == [withdrawn]
    for query in (
        "",
        "?max=3",
        f"?subject={subject}&max=0",
        f"?subject={subject}&_count=1",
        f"?subject={subject}&max=x",
    ):
        client.refusal(client.get(f"/fhir/Observation/$lastn{query}"), 400)


def verdict(client: Any, path: str, body: Any) -> list[tuple[str, str]]:
    answer = client.send_fhir("POST", path, body)
    assert answer.status_code == 200, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    return [(issue["severity"], issue["code"]) for issue in answer.json()["issue"]]


def test_a_verdict_on_a_resource_stores_nothing(client: Any) -> None:
    before = client.get("/fhir/Patient?_summary=count").json()["total"]
    patient = client.patient()
    assert verdict(client, "/fhir/Patient/$validate", patient) == [("information", "informational")]
    assert ("error", "code-invalid") in verdict(client, "/fhir/Patient/$validate", {**patient, "gender": "bogus"})
    assert verdict(client, "/fhir/Group/$validate", patient) == [("error", "invalid")]
    assert verdict(client, "/fhir/Patient/a/$validate", {**patient, "id": "b"}) == [("error", "invalid")]
    parameters = {
        "resourceType": "Parameters",
        "parameter": [{"name": "mode", "valueCode": "create"}, {"name": "resource", "resource": patient}],
    }
    assert verdict(client, "/fhir/Patient/$validate", parameters) == [("information", "informational")]
    for wrong in ({"resourceType": "Parameters"}, {"resourceType": "Parameters", "parameter": [{"name": "resource"}]}):
        client.refusal(client.send_fhir("POST", "/fhir/Patient/$validate", wrong), 400)
    client.refusal(client.send_fhir("POST", "/fhir/Patient/$validate?mode=delete", patient), 400)
    client.refusal(client.send_fhir("POST", "/fhir/Patient/$validate", b"{"), 400)
    client.refusal(client.send_fhir("POST", "/fhir/Medication/$validate", patient), 404)
    assert client.get("/fhir/Patient?_summary=count").json()["total"] == before


def test_a_verdict_by_one_of_our_profiles(client: Any) -> None:
    profile = client.get("/fhir/StructureDefinition/grip-strength").json()["url"]
    observation = json.loads(client.observation(client.new_patient()))
    assert ("error", "information") not in verdict(client, "/fhir/Observation/$validate", observation)
    issues = verdict(client, f"/fhir/Observation/$validate?profile={profile}", observation)
    assert "error" in {severity for severity, _ in issues}


def test_an_unknown_profile_is_a_warning(client: Any) -> None:
    patient = {**client.patient(), "meta": {"profile": ["https://else.example/profile"]}}
    assert verdict(client, "/fhir/Patient/$validate", patient) == [("warning", "not-found")]
    plain = client.patient()
    asked = "/fhir/Patient/$validate?profile=https://else.example/one&profile=https://else.example/two"
    assert verdict(client, asked, plain) == [("warning", "not-found")] * 2
    base = "/fhir/Patient/$validate?profile=http://hl7.org/fhir/StructureDefinition/Patient"
    assert verdict(client, base, plain) == [("information", "informational")]
    issue = client.refusal(client.send_fhir("POST", "/fhir/Patient/$validate?mode=delete", plain), 400)
    assert issue["diagnostics"] == "Found: delete; Expected: create, update, profile"
    assert client.send_fhir("POST", "/fhir/Patient", patient).status_code == 201
