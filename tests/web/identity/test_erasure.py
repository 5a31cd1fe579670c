"""Erasure, legal holds and retention over HTTP: two people who signed in, and nobody else."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi import FastAPI

from service.domain.actor import LOCAL
from service.storage.records import Records
from tests.storage.whole_record import MARK, bytes_of, fill
from tests.web.identity.test_service import Client, app, client, records, settings, token

__all__ = ["app", "client", "records", "settings", "token"]

WISH = {"target": "Patient/m", "reason": "asked for in writing"}


@pytest.fixture
def people(token: Any, records: Records) -> dict[str, str]:
    with records.write(LOCAL) as writer:
        fill(writer)
    scope = "user/*.cruds"
    return {
        "anna": token(sub="anna", roles=["administrator"], scope=scope),
        "bert": token(sub="bert", roles=["administrator"], scope=scope),
        "clinician": token(sub="c", roles=["clinician"], scope=scope),
        "narrow": token(sub="n", roles=["administrator"], scope="user/Patient.rs"),
    }


def test_two_people_erase_a_record(client: Client, people: dict[str, str], sqlite_url: str) -> None:
    asked = client.request("POST", "/erasures", people["anna"], json=WISH)
    assert asked.status_code == 201, asked.text
    assert MARK not in asked.text
    assert "note" not in asked.json()
    ident, seen = asked.json()["erasure"]["id"], asked.json()["scope"]["seen"]
    approval = {"json": {"seen": seen}}
    refused = client.request("POST", f"/erasures/{ident}/approve", people["anna"], **approval)
    assert (refused.status_code, "second person" in refused.text) == (403, True)
    stale = client.request("POST", f"/erasures/{ident}/approve", people["bert"], json={"seen": "other"})
    assert stale.status_code == 412
    shown = client.get(f"/erasures/{ident}", people["bert"])
    assert shown.json()["scope"]["seen"] == seen
    done = client.request("POST", f"/erasures/{ident}/approve", people["bert"], **approval)
    assert done.status_code == 200, done.text
    assert done.json()["erasure"]["state"] == "erased"
    assert done.json()["erasure"]["cleaned"]
    for path in ("/fhir/Patient/m", "/fhir/Observation/m-one", "/fhir/Patient/m/_history/1"):
        answer = client.get(path, people["clinician"])
        assert (answer.status_code, "was erased" in answer.text) == (410, True)
    assert client.get("/fhir/Patient/o", people["clinician"]).status_code == 200
    again = client.request(
        "PUT", "/fhir/Patient/m", people["clinician"], json={"resourceType": "Patient", "id": "m"},
        headers={"content-type": "application/fhir+json"},
    )  # fmt: skip
    assert again.status_code == 410
    assert MARK.encode() not in bytes_of(sqlite_url)
    listed = client.get("/erasures", people["anna"]).json()["erasures"]
    assert [(one["target"], one["asked"]["id"], one["decided"]["id"]) for one in listed] == [
        ("Patient/m", "anna", "bert")
    ]
    with Records.open(sqlite_url).read() as reader:
        assert reader.verify_events().faults == ()


@pytest.mark.parametrize("who", ["clinician", "narrow"])
@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("GET", "/erasures", None), ("GET", "/erasures/x", None), ("POST", "/erasures", WISH),
        ("POST", "/erasures/x/approve", {"seen": "y"}), ("POST", "/erasures/x/withdraw", {}),
        ("GET", "/legal-holds", None), ("POST", "/legal-holds", {"patient": "Patient/m", "reason": "a court asked"}),
        ("POST", "/legal-holds/x/lift", None), ("GET", "/retention", None),
    ],
)  # fmt: skip
def test_nobody_else_comes_near(
    client: Client, people: dict[str, str], who: str, method: str, path: str, body: Any
) -> None:
    answer = client.request(method, path, people[who], **({"json": body} if body is not None else {}))
    assert answer.status_code == 403, answer.text
    assert MARK not in answer.text


def test_a_hold_stops_erasing_and_deleting(client: Client, people: dict[str, str]) -> None:
    hold = {"patient": "Patient/m", "reason": "a court asked that nothing go"}
    placed = client.request("POST", "/legal-holds", people["anna"], json=hold)
    assert placed.status_code == 201, placed.text
    assert client.request("POST", "/erasures", people["anna"], json=WISH).status_code == 409
    assert client.request("DELETE", "/fhir/Goal/m-goal", people["clinician"]).status_code == 409
    bundle = {
        "resourceType": "Bundle", "type": "transaction",
        "entry": [{"request": {"method": "DELETE", "url": "Goal/m-goal"}}],
    }  # fmt: skip
    fhir = {"content-type": "application/fhir+json"}
    assert client.request("POST", "/fhir", people["clinician"], json=bundle, headers=fhir).status_code == 409
    lifted = client.request("POST", f"/legal-holds/{placed.json()['id']}/lift", people["bert"])
    assert lifted.status_code == 200
    assert [one["lifted_by"] for one in client.get("/legal-holds", people["anna"]).json()["legal_holds"]] == ["bert"]
    assert client.request("DELETE", "/fhir/Goal/m-goal", people["clinician"]).status_code == 204


def test_what_is_past_its_period_is_told(client: Client, people: dict[str, str]) -> None:
    answer = client.get("/retention", people["anna"])
    assert answer.json() == {"years": {}, "past": []}


def test_a_request_is_withdrawn(client: Client, people: dict[str, str]) -> None:
    ident = client.request("POST", "/erasures", people["anna"], json=WISH).json()["erasure"]["id"]
    assert client.request("POST", f"/erasures/{ident}/withdraw", people["bert"], json={}).json()["state"] == "withdrawn"
    assert client.get("/fhir/Patient/m", people["clinician"]).status_code == 200
    for body, status in (({}, 400), ({"target": "Patient/m"}, 400), ({**WISH, "more": 1}, 400), ([], 400)):
        assert client.request("POST", "/erasures", people["anna"], json=body).status_code == status


def test_every_keeping_route_is_documented(app: FastAPI) -> None:
    paths = app.openapi()["paths"]
    for path in ("/erasures", "/erasures/{erasure}/approve", "/legal-holds", "/retention"):
        for operation in paths[path].values():
            assert operation["tags"] == ["Keeping"]
            assert operation["summary"].endswith(".")


def test_the_document_says_where_a_token_is_needed(app: FastAPI, client: Client) -> None:
    """And the service does as it says: what the document leaves open is answered, the rest is not."""
    document = app.openapi()
    assert document["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    assert document["security"] == [{"token": []}]
    tried = 0
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method == "get" and "{" not in path:
                is_open = operation.get("security") == []
                assert (client.get(path).status_code == 401) == (not is_open), path
                tried += 1
    assert tried > 5
