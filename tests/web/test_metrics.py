"""Metrics over HTTP, as plain JSON and as derived Observations."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.domain.metrics import METRICS


def arc(side: str, joint: str, text: str) -> dict[str, str]:
    return {
        "kind": "joint-motion", "side": side, "site": f"index-{joint}", "motion": "extension-flexion",
        "mode": "active", "orthosis_state": "free", "together": "together", "value": text, "unit": "deg",
        "convention": "neutral-zero",
    }  # fmt: skip


@pytest.fixture
def patient(client: Any) -> str:
    """The id of an invented patient with one visit."""
    reference: str = client.new_patient(gender="female", birthDate="1990-05-01")
    grip = {
        "kind": "grip-strength", "side": "right", "site": "hand", "trials": ["70.4", "70.4", "70.4"],
        "unit": "[lbf_av]", "handle_position": "2", "posture": "seated-elbow-90",
    }  # fmt: skip
    said = {
        "patient": {"id": reference.removeprefix("Patient/")},
        "when": "2026-03-02T09:30:00+01:00",
        "by": {"name": "A. Invented"},
        "readings": [
            arc("right", "mcp", "0-0-80"),
            arc("right", "pip", "0-20-90"),
            arc("right", "dip", "0-0-60"),
            grip,
        ],
    }
    answer = client.post("/visits", content=json.dumps(said), headers={"content-type": "application/json"})
    assert answer.status_code == 201, answer.text
    return reference.removeprefix("Patient/")


def results(answer: Any, name: str) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/json")
    return [r for r in answer.json()["results"] if r["metric"] == name]


def test_every_number_says_what_it_rests_on(client: Any, patient: str) -> None:
    answer = client.get(f"/patients/{patient}/metrics")
    (total,) = results(answer, "total-active-motion")
    assert total["value"] == {"number": 210, "unit": "deg", "comparator": ""}
    assert total["error"] == "not published"
    assert [p["site"]["code"] for p in total["parts"]] == ["right-index-mcp", "right-index-pip", "right-index-dip"]
    assert all(each["id"] and each["version"] == "1" for each in total["inputs"])
    for end in total["parts"][1]["inputs"]:
        assert end["context"]["together"] == "together"
    told = answer.json()
    assert told["formulas"]["total-active-motion"]["version"] == 1
    assert told["parameters"]["norm"] == "none"
    assert told["not_used"] == {}


def test_what_cannot_be_told_has_a_reason(client: Any, patient: str) -> None:
    (percent,) = results(client.get(f"/patients/{patient}/metrics"), "percent-of-reference")
    assert percent["value"]["absent"] == "no-reference"
    assert percent["value"]["reason"].endswith(".")


def test_a_precaution_and_the_time_since_an_injury_go_with_every_result(client: Any, patient: str) -> None:
    precaution = {
        "what": "no resisted grip", "side": "right", "sites": ["index-pip"], "since": "2026-02-01", "by": "Dr Example",
    }  # fmt: skip
    injury = {"what": "cut", "side": "right", "on": "2026-02-20"}
    for name, said in (("precautions", precaution), ("injuries", injury)):
        answer = client.post(
            f"/patients/{patient}/{name}", content=json.dumps(said), headers={"content-type": "application/json"}
        )
        assert answer.status_code == 201, answer.text
    answer = client.get(f"/patients/{patient}/metrics")
    arcs = {r["site"]["code"]: r for r in results(answer, "arc-of-motion")}
    assert [p["what"] for p in arcs["right-index-pip"]["precautions"]] == ["no resisted grip"]
    assert [(e["since"], e["days"]) for e in arcs["right-index-pip"]["elapsed"]] == [("injury", 10)]
    assert all("precautions" in r and "elapsed" in r for r in answer.json()["results"])


@pytest.mark.parametrize("name", ["total-active-motion", "strickland-grade", "grip-z-score"])
def test_one_metric_at_every_visit(client: Any, patient: str, name: str) -> None:
    answer = client.get(f"/patients/{patient}/metrics/{name}")
    assert results(answer, name)
    assert set(answer.json()["formulas"]) == {name}


def test_a_norm_is_named_and_holds_for_the_person(client: Any, patient: str) -> None:
    (score,) = results(client.get(f"/patients/{patient}/metrics/grip-z-score?norm=grip-us-1985"), "grip-z-score")
    assert score["parameters"]["ages"] == "35-39"
    (unnamed,) = results(client.get(f"/patients/{patient}/metrics/grip-z-score"), "grip-z-score")
    assert unnamed["value"]["absent"] == "no-table"


def test_what_is_from_memory_is_shown_only_when_asked_for(client: Any, patient: str) -> None:
    path = f"/patients/{patient}/metrics/strickland-adjusted-grade"
    (closed,) = results(client.get(path), "strickland-adjusted-grade")
    assert closed["value"]["absent"] == "from-memory"
    (shown,) = results(client.get(f"{path}?include_from_memory=true"), "strickland-adjusted-grade")
    assert shown["value"]["code"] == "good"
    assert shown["source"]["status"] == "from memory"


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("norm=grip-of-nobody", "norm"),
        ("hyperextension=maybe", "hyperextension"),
        ("include_from_memory=yes", "include"),
        ("grade=good", "grade"),
    ],
)
def test_a_parameter_that_is_not_known_is_refused(client: Any, patient: str, query: str, parameter: str) -> None:
    issue = client.refusal(client.get(f"/patients/{patient}/metrics?{query}"), 400)
    assert parameter in issue["expression"][0]


def test_a_policy_can_be_chosen(client: Any, patient: str) -> None:
    answer = client.get(f"/patients/{patient}/metrics/total-active-motion?hyperextension=deficit")
    assert results(answer, "total-active-motion")[0]["parameters"]["hyperextension"] == "deficit"


def test_what_is_not_there_is_not_found(client: Any, patient: str) -> None:
    for path in ("/patients/nobody/metrics", f"/patients/{patient}/metrics/no-such", "/encounters/none/metrics"):
        client.refusal(client.get(path), 404)
    for method in ("GET", "POST"):
        client.refusal(client.request(method, "/fhir/Patient/nobody/$derive"), 404)


def test_the_metrics_of_one_visit(client: Any, patient: str) -> None:
    visit = client.get(f"/fhir/Encounter?patient={patient}").json()["entry"][0]["resource"]["id"]
    answer = client.get(f"/encounters/{visit}/metrics")
    assert results(answer, "total-active-motion")
    assert {r["visit"] for r in answer.json()["results"]} == {f"Encounter/{visit}"}
    assert answer.json()["subject"] == f"Patient/{patient}"


def test_derive_shows_by_get_and_stores_by_post(client: Any, patient: str) -> None:
    path = f"/fhir/Patient/{patient}/$derive"
    shown = client.get(path)
    assert shown.status_code == 200, shown.text
    assert shown.headers["content-type"].startswith("application/fhir+json")
    bundle = shown.json()
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "collection")
    ids = {e["resource"]["id"] for e in bundle["entry"]}
    one = next(iter(ids))
    client.refusal(client.get(f"/fhir/Observation/{one}"), 404)
    stored = client.post(path).json()
    assert {e["resource"]["resourceType"] for e in stored["entry"]} == {"Observation", "Provenance"}
    assert {e["resource"]["id"] for e in stored["entry"] if e["resource"]["resourceType"] == "Observation"} == ids
    for entry in stored["entry"]:
        kept = client.get(f"/fhir/{entry['resource']['resourceType']}/{entry['resource']['id']}")
        assert kept.json() == entry["resource"]
        assert entry["fullUrl"].endswith(f"/fhir/{entry['resource']['resourceType']}/{entry['resource']['id']}")
    again = client.post(path).json()
    assert {e["resource"]["resourceType"] for e in again["entry"]} == {"Observation"}
    assert {e["resource"]["meta"]["versionId"] for e in again["entry"]} == {"1"}


def test_derived_observations_are_found_and_kept_out_of_the_summary(client: Any, patient: str) -> None:
    client.post(f"/fhir/Patient/{patient}/$derive")
    found = client.get(f"/fhir/Observation?patient={patient}&category=derived&_count=200").json()
    assert len(found["entry"]) > 5
    assert all(e["resource"]["derivedFrom"] for e in found["entry"])
    assert client.get(f"/patients/{patient}/summary").json()["not_used"] == {}


def test_nothing_derived_is_an_empty_collection(client: Any) -> None:
    reference = client.new_patient()
    for method in ("GET", "POST"):
        assert client.request(method, f"/fhir/{reference}/$derive").json() == {
            "resourceType": "Bundle",
            "type": "collection",
        }
    assert client.get(f"/patients/{reference.removeprefix('Patient/')}/metrics").json()["results"] == []


def test_the_description_names_every_route(client: Any) -> None:
    document = client.get("/openapi.json").json()
    for path, methods in {
        "/patients/{patient}/metrics": {"get"},
        "/patients/{patient}/metrics/{name}": {"get"},
        "/encounters/{encounter}/metrics": {"get"},
        "/fhir/Patient/{id}/$derive": {"get", "post"},
    }.items():
        assert set(document["paths"][path]) == methods
    assert "Metrics" in document["components"]["schemas"]


def test_every_metric_can_be_asked_for_by_name(client: Any, patient: str) -> None:
    for name in METRICS:
        assert client.get(f"/patients/{patient}/metrics/{name}").status_code == 200
