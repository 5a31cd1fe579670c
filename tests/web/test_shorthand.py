"""Shorthand over HTTP: shown back as discrete values first, then stored with its text."""

from __future__ import annotations

import json

import httpx

from service.storage.records import Records

ARC = "R ring PIP AROM ext/flex 0-20-90 neutral-zero"


def show(client: httpx.Client, **body: object) -> httpx.Response:
    return client.post("/shorthand", content=json.dumps(body), headers={"content-type": "application/json"})


def test_a_line_is_shown_as_discrete_values(client: httpx.Client) -> None:
    (line,) = show(client, lines=[ARC]).json()["lines"]
    assert [(r["code"], r["value"]["number"]) for r in line["readings"]] == [
        ("extension-deficit-active-unknown", 20),
        ("flexion-active-unknown", 90),
    ]
    assert line["asked"] == []


def test_what_holds_for_all_lines_is_declared_once(client: httpx.Client) -> None:
    found = show(client, declared="neutral-zero ext/flex", lines=["R ring PIP AROM 0-20-90", "L ring PIP AROM 0-0-100"])
    assert [len(line["readings"]) for line in found.json()["lines"]] == [2, 2]


def test_an_unlikely_value_is_asked_about_and_a_faulty_line_says_what_is_wrong(client: httpx.Client) -> None:
    unlikely, faulty = show(client, lines=["R ring PIP AROM flexion 120", "R ring PIP AROM -20/90"]).json()["lines"]
    assert unlikely["asked"][0]["diagnostics"]
    assert "convention" in json.dumps(faulty["issues"])


def test_lines_that_are_none_are_refused(client: httpx.Client) -> None:
    for body in ({}, {"lines": "R ring"}, {"lines": [1]}, {"lines": [], "declared": 3}):
        assert show(client, **body).status_code == 400


def test_a_visit_takes_shorthand_and_keeps_its_text(client: httpx.Client) -> None:
    patient = {"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": "1"}]}
    client.post("/fhir/Patient", json=patient, headers={"content-type": "application/fhir+json"})
    visit = {
        "patient": {"system": "urn:x", "value": "1"},
        "when": "2026-03-02",
        "by": {"name": "A. Invented"},
        "readings": [{"shorthand": ARC}, {"shorthand": "R grip 30/32/31 kgf handle 2", "note": "warm hands"}],
    }
    stored = client.post("/visits", json=visit)
    assert stored.status_code == 201, stored.text
    reference = stored.json()["readings"][1]["reference"]
    observation = client.get(f"/fhir/{reference}").json()
    assert observation["valueQuantity"]["value"] == 90
    assert ARC in [c.get("valueString") for c in observation["component"]]


def test_a_line_says_everything_it_can_say_itself(client: httpx.Client, records: Records) -> None:
    visit = {
        "patient": {"id": "a"},
        "when": "2026-03-02",
        "by": {"name": "A. Invented"},
        "readings": [{"shorthand": ARC, "side": "left"}],
    }
    refused = client.post("/visits", json=visit)
    assert refused.status_code == 422
    assert "readings[0].side" in refused.text
    with records.read() as reader:
        assert list(reader.of_patient("a", "Observation")) == []
