"""Signing, acts and $affected over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from .conftest import RecordClient

GRIP = {"kind": "grip-strength", "side": "right", "site": "hand", "trials": ["21.5", "23.0", "22.0"], "unit": "kgf",
        "orthosis_state": "free", "handle_position": "2"}  # fmt: skip
WHY = {"reason": "The left hand was measured."}


@pytest.fixture
def visit(client: RecordClient) -> dict[str, str]:
    """A visit of a new patient: ids of patient, visit and reading."""
    patient = client.new_patient().removeprefix("Patient/")
    answer = client.post(
        "/visits",
        json={"patient": {"id": patient}, "when": "2026-03-02T09:30+01:00", "by": {"name": "A. Invented"},
              "readings": [GRIP]},
    )  # fmt: skip
    assert answer.status_code == 201, answer.text
    told = answer.json()
    return {
        "patient": patient,
        "visit": told["encounter"].removeprefix("Encounter/"),
        "reading": told["readings"][0]["reference"].removeprefix("Observation/"),
    }


def act(client: RecordClient, **document: Any) -> Any:
    return client.post("/acts", json={**WHY, **document})


def test_a_visit_is_signed(client: RecordClient, visit: dict[str, str]) -> None:
    path = f"/fhir/Observation/{visit['reading']}"
    assert client.get(path).json()["status"] == "preliminary"
    signed = client.post(f"/visits/{visit['visit']}/sign")
    assert signed.status_code == 200, signed.text
    assert signed.json()["final"] is True
    assert [each["resource"] for each in signed.json()["signed"]] == [f"Observation/{visit['reading']}"]
    assert client.get(path).json()["status"] == "final"
    provenance = client.get(f"/fhir/{signed.json()['provenance']}").json()
    assert provenance["signature"][0]["when"] == provenance["recorded"]
    assert client.get(f"/fhir/Encounter/{visit['visit']}").json()["status"] == "finished"
    client.refusal(client.post("/visits/nobody/sign"), 404)


def test_an_act_is_looked_at_then_carried_out_then_undone(client: RecordClient, visit: dict[str, str]) -> None:
    old = client.get(f"/fhir/Observation/{visit['reading']}").json()
    asked = {"act": "correct-side", "visit": visit["visit"]}
    looked = act(client, **asked)
    assert (looked.status_code, looked.json()["dry_run"], looked.json()["id"]) == (200, True, None)
    withdrawn = next(each for each in looked.json()["changes"] if each["what"] == "changed")
    assert withdrawn["elements"] == {"status": {"before": "preliminary", "after": "entered-in-error"}}
    assert client.get(f"/fhir/Observation/{visit['reading']}").json() == old
    done = act(client, **asked, seen=looked.json()["seen"])
    assert done.status_code == 201, done.text
    assert done.headers["location"] == f"/fhir/Provenance/{done.json()['id']}"
    assert client.get(done.headers["location"]).json()["reason"] == [{"text": WHY["reason"]}]
    found = client.get(f"/fhir/Observation?encounter={visit['visit']}&status:not=entered-in-error").json()
    (entry,) = found["entry"]
    assert entry["resource"]["bodySite"]["coding"][0]["code"] == "left-hand"
    assert b"23.0" in client.get(f"/fhir/Observation/{entry['resource']['id']}").content
    undo = {"act": "undo", "undone": done.json()["id"]}
    undone = act(client, **undo, seen=act(client, **undo).json()["seen"])
    assert undone.status_code == 201, undone.text
    assert client.get(f"/fhir/Observation/{visit['reading']}").json()["status"] == "preliminary"
    assert client.get(f"/fhir/Observation/{entry['resource']['id']}").status_code == 410


def test_an_act_that_was_seen_otherwise_is_a_conflict(client: RecordClient, visit: dict[str, str]) -> None:
    asked = {"act": "correct-date", "visit": visit["visit"], "date": "2026-03-03"}
    seen = act(client, **asked).json()["seen"]
    client.post(f"/visits/{visit['visit']}/sign")
    refused = client.refusal(act(client, **asked, seen=seen), 409)
    assert "no longer what was seen" in refused["details"]["text"]


@pytest.mark.parametrize(
    ("document", "status"),
    [
        ({"act": "correct-side", "visit": "nobody"}, 422),
        ({"act": "undo", "undone": "nobody"}, 422),
        ({"act": "merge", "keep": "nobody", "give_up": "nobody-else"}, 422),
        ({"act": "move", "to": {"id": "nobody"}}, 422),
        ({"act": "burn"}, 400),
        ({}, 400),
        ({"act": "correct-date", "visit": "x", "date": "yesterday"}, 400),
        ({"act": "correct-side", "visit": "x", "more": 1}, 400),
        ({"act": "correct-side", "visit": 7}, 400),
        ({"act": "correct-reading", "observation": "x", "reading": {"kind": "hearing"}}, 422),
        ({"act": "correct-side", "visit": "x", "reason": ""}, 400),
    ],
)
def test_what_cannot_be_an_act_is_refused(client: RecordClient, document: dict[str, Any], status: int) -> None:
    client.refusal(act(client, **document), status)


def test_a_reading_goes_to_another_patient_and_two_patients_become_one(
    client: RecordClient, visit: dict[str, str]
) -> None:
    other = client.new_patient().removeprefix("Patient/")
    asked = {"act": "move", "to": {"id": other}, "visits": [visit["visit"]]}
    done = act(client, **asked, seen=act(client, **asked).json()["seen"])
    assert done.status_code == 201, done.text
    assert client.get(f"/fhir/Observation?patient={other}").json()["entry"]
    merge = {"act": "merge", "keep": visit["patient"], "give_up": other}
    merged = act(client, **merge, seen=act(client, **merge).json()["seen"])
    assert merged.status_code == 201, merged.text
    found = client.get(f"/fhir/Observation?patient={other}&status:not=entered-in-error").json()["entry"]
    assert [each["resource"]["subject"]["reference"] for each in found] == [f"Patient/{visit['patient']}"]
    for path in (f"/patients/{other}/summary", f"/patients/{other}/metrics", f"/patients/{other}/orthoses"):
        assert client.get(path).status_code == 200, path
    everything = client.get(f"/fhir/Patient/{other}/$everything").json()
    assert f"Observation/{found[0]['resource']['id']}" in [_name(each["resource"]) for each in everything["entry"]]


def _name(resource: dict[str, Any]) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def test_affected_says_where_a_value_went(client: RecordClient, visit: dict[str, str]) -> None:
    client.post(f"/fhir/Patient/{visit['patient']}/$derive")
    answer = client.get(f"/fhir/Observation/{visit['reading']}/$affected")
    assert answer.status_code == 200, answer.text
    of, *listed, withheld = answer.json()["parameter"]
    assert of["valueReference"]["reference"] == f"Observation/{visit['reading']}/_history/1"
    assert withheld == {"name": "withheld", "valueInteger": 0}
    how = {part["valueString"] for each in listed for part in each["part"] if part["name"] == "how"}
    assert how == {"derived result", "provenance"}
    client.refusal(client.get("/fhir/Observation/nobody/$affected"), 404)


@pytest.mark.parametrize("kind", ["transaction", "batch"])
def test_a_bundle_does_not_part_a_visit_from_its_readings(
    client: RecordClient, visit: dict[str, str], kind: str
) -> None:
    path = f"Encounter/{visit['visit']}"
    old = client.get(f"/fhir/{path}").json()
    gutted = {name: value for name, value in old.items() if name not in ("subject", "period")}
    for request in ({"request": {"method": "PUT", "url": path}, "resource": gutted},
                    {"request": {"method": "DELETE", "url": path}}):  # fmt: skip
        answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": [request]})
        told = answer.json()["entry"][0]["response"] if kind == "batch" else {"status": str(answer.status_code)}
        assert told["status"].startswith("409"), answer.text
    assert client.get(f"/fhir/{path}").json() == old


def test_a_transaction_deletes_a_visit_with_its_readings(client: RecordClient, visit: dict[str, str]) -> None:
    deletions = [
        {"request": {"method": "DELETE", "url": path}}
        for path in (f"Encounter/{visit['visit']}", f"Observation/{visit['reading']}")
    ]
    answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": deletions})
    assert answer.status_code == 200, answer.text
    assert client.get(f"/fhir/Encounter/{visit['visit']}").status_code == 410
