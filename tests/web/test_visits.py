"""Visits in and summaries out, over HTTP."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from service.web.visits import EXAMPLE


@pytest.fixture
def visit(client: Any) -> dict[str, Any]:
    """The documented example, of a patient and under a key of its own."""
    reference = client.new_patient()
    identifier = client.get(f"/fhir/{reference}").json()["identifier"][0]
    said = copy.deepcopy(EXAMPLE)
    said["patient"] = identifier
    said["key"]["value"] = f"visit of {identifier['value']}"
    return said


def post(client: Any, said: Any) -> Any:
    body = said if isinstance(said, bytes) else json.dumps(said).encode()
    return client.post("/visits", content=body, headers={"content-type": "application/json"})


def observations_of(client: Any, encounter: str) -> list[dict[str, Any]]:
    bundle = client.get(f"/fhir/Observation?encounter={encounter}&_count=100").json()
    return [each["resource"] for each in bundle.get("entry", [])]


def test_the_documented_example_is_recorded(client: Any, visit: dict[str, Any]) -> None:
    answer = post(client, visit)
    assert answer.status_code == 201, answer.text
    told = answer.json()
    assert answer.headers["location"] == f"/fhir/{told['encounter']}"
    assert client.get(answer.headers["location"]).json()["resourceType"] == "Encounter"
    assert {each["place"] for each in told["readings"]} == {"readings[0]", "readings[1]"}
    for each in told["readings"]:
        assert each["act"] == "created"
        assert client.get(f"/fhir/{each['reference']}").status_code == 200
    assert len(observations_of(client, told["encounter"])) >= len(told["readings"])


def test_decimals_of_a_visit_are_kept_as_written(client: Any, visit: dict[str, Any]) -> None:
    said = json.dumps(visit).replace('"85"', "85.50").encode()
    told = post(client, said).json()
    reference = next(each["reference"] for each in told["readings"] if each["place"] == "readings[0]")
    assert '"value":85.50' in client.get(f"/fhir/{reference}").text


def test_the_same_visit_again_adds_nothing(client: Any, visit: dict[str, Any]) -> None:
    first, second = post(client, visit).json(), post(client, visit).json()
    assert first["encounter"] == second["encounter"]
    assert {each["act"] for each in second["readings"]} == {"unchanged"}


def test_the_same_reading_with_another_value_is_refused_with_both_shown(client: Any, visit: dict[str, Any]) -> None:
    post(client, visit)
    visit["readings"][0]["value"] = "60"
    issue = client.refusal(post(client, visit), 409)
    assert "85" in issue["details"]["text"]
    assert "60" in issue["diagnostics"]


def test_a_visit_with_one_bad_reading_is_not_recorded_at_all(client: Any, visit: dict[str, Any]) -> None:
    visit["readings"][1]["trials"] = ["-4"]
    issue = client.refusal(post(client, visit), 422)
    assert issue["expression"][0].startswith("readings[1]")
    system, value = visit["patient"]["system"], visit["patient"]["value"]
    subject = client.get(f"/fhir/Patient?identifier={system}|{value}").json()["entry"][0]["resource"]["id"]
    for kind in ("Encounter", "Observation"):
        assert "entry" not in client.get(f"/fhir/{kind}?patient={subject}").json()


def test_what_is_unlikely_is_asked_about_and_then_kept_as_a_warning(client: Any, visit: dict[str, Any]) -> None:
    visit["readings"] = [visit["readings"][1] | {"trials": ["0", "0", "0"]}]
    issue = client.refusal(post(client, visit), 422)
    assert issue["code"] == "business-rule"
    visit["readings"][0]["confirmed"] = "checked twice, the hand does not close"
    answer = post(client, visit)
    assert answer.status_code == 201, answer.text
    assert answer.json()["warnings"][0]["severity"] == "warning"


@pytest.mark.parametrize(
    "change",
    [
        {"patient": {"system": "https://clinic.example/file", "value": "nobody"}},
        {"patient": "P-1"},
        {"patient": None},
        {"when": "yesterday"},
        {"when": 7},
        {"when": "2026-03-29T02:30"},
        {"when": "2026-10-25T02:30"},
        {"zone": "Middle-earth/Shire"},
        {"by": {}},
        {"by": 1},
        {"key": "k"},
        {"readings": []},
        {"readings": {}},
        {"readings": ["85"]},
        {"readings": [{}]},
        {"readings": [{"kind": "no-such-kind"}]},
        {"colour": "red"},
    ],
)
def test_a_visit_that_says_too_little_is_refused_with_422(
    client: Any, visit: dict[str, Any], change: dict[str, Any]
) -> None:
    issue = client.refusal(post(client, visit | change), 422)
    assert issue["expression"]


def test_a_patient_id_that_is_not_there_is_a_fault_of_the_body(client: Any, visit: dict[str, Any]) -> None:
    issue = client.refusal(post(client, visit | {"patient": {"id": "nobody"}}), 422)
    assert "Patient/nobody" in issue["details"]["text"]


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"when":1,"when":2}', b'{"when":NaN}', b'{"when":"\\u0000"}'])
def test_a_visit_that_is_no_json_is_refused_with_400(client: Any, body: bytes) -> None:
    client.refusal(post(client, body), 400)


def test_the_summary_shows_what_was_recorded(client: Any, visit: dict[str, Any]) -> None:
    encounter = post(client, visit).json()["encounter"]
    subject = client.get(f"/fhir/{encounter}").json()["subject"]["reference"]
    answer = client.get(f"/patients/{subject.removeprefix('Patient/')}/summary")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/json")
    described = client.get("/openapi.json").json()["components"]["schemas"]["PatientSummary"]["properties"]
    assert set(answer.json()) == set(described)
    assert {hand["side"] for hand in answer.json()["hands"]} >= {"right"}
    assert "23.0" in answer.text


def test_a_summary_of_nobody_is_not_there(client: Any) -> None:
    client.refusal(client.get("/patients/nobody/summary"), 404)
    client.refusal(client.get("/patients/%00/summary"), 404)
    reference = client.new_patient()
    client.delete(f"/fhir/{reference}")
    client.refusal(client.get(f"/patients/{reference.removeprefix('Patient/')}/summary"), 410)
