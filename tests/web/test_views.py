"""`$viewdefinition-run` and the shipped tables over HTTP, on both databases."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest

from tests.web.conftest import RecordClient

RUN = "/fhir/$viewdefinition-run"
VIEW = {
    "resourceType": "ViewDefinition",
    "name": "heights",
    "status": "active",
    "resource": "Observation",
    "select": [
        {
            "column": [
                {"name": "id", "path": "getResourceKey()", "type": "id"},
                {"name": "patient", "path": "subject.getReferenceKey(Patient)", "type": "id"},
                {"name": "value", "path": "value.ofType(Quantity).value", "type": "decimal"},
            ]
        }
    ],
    "where": [{"path": "code.coding.where(code = '8302-2').exists()"}],
}


def parameters(*parts: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Parameters", "parameter": list(parts)}


def named(name: str, **value: Any) -> dict[str, Any]:
    return {"name": name, **value}


OWN = named("viewResource", resource=VIEW)


def lines(answer: Any) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    return [json.loads(line) for line in answer.text.splitlines()]


@pytest.fixture
def patient(client: RecordClient) -> str:
    return client.new_patient()


def about(patient: str) -> dict[str, Any]:
    return named("patient", valueReference={"reference": patient})


def test_rows_of_one_patient_keep_their_digits(client: RecordClient, patient: str) -> None:
    first = client.new_observation(patient, "1.50")
    client.new_observation(client.new_patient(), "2")
    answer = client.send_fhir("POST", RUN, parameters(OWN, about(patient)))
    assert answer.headers["content-type"] == "application/x-ndjson"
    ident, own = (reference.rpartition("/")[2] for reference in (first, patient))
    assert answer.text == f'{{"id":"{ident}","patient":"{own}","value":1.50}}\n'


def test_all_rows_are_those_of_all_patients(client: RecordClient, patient: str) -> None:
    mine = [client.new_observation(patient, str(number)) for number in (1, 2, 3)]
    found = {row["id"] for row in lines(client.send_fhir("POST", RUN, parameters(OWN)))}
    assert {reference.rpartition("/")[2] for reference in mine} <= found


@pytest.mark.parametrize(
    ("more", "accept", "media"),
    [
        ([named("_format", valueCode="csv")], "", "text/csv; charset=utf-8"),
        ([named("_format", valueCode="application/json")], "", "application/json"),
        ([named("_format", valueCode="parquet")], "", "application/vnd.apache.parquet"),
        ([], "text/csv", "text/csv; charset=utf-8"),
        ([], "application/fhir+json", "application/x-ndjson"),
        ([named("_format", valueCode="ndjson")], "text/csv", "application/x-ndjson"),
    ],
)
def test_formats(client: RecordClient, patient: str, more: list[Any], accept: str, media: str) -> None:
    client.new_observation(patient, "1.50")
    headers = {"accept": accept} if accept else {}
    answer = client.send_fhir("POST", RUN, parameters(OWN, about(patient), *more), **headers)
    assert (answer.status_code, answer.headers["content-type"]) == (200, media)
    if "csv" in media:
        (row,) = csv.DictReader(io.StringIO(answer.text))
        assert row["value"] == "1.50"
    elif media == "application/json":
        assert [row["value"] for row in answer.json()] == [1.5]
    elif "parquet" in media:
        import pyarrow.parquet

        table = pyarrow.parquet.read_table(io.BytesIO(answer.content))
        assert [str(value) for value in table["value"]] == ["1.500000000"]


def test_header_limit_and_query(client: RecordClient, patient: str) -> None:
    for number in (1, 2, 3):
        client.new_observation(patient, str(number))
    body = parameters(OWN, about(patient), named("header", valueBoolean=False), named("_limit", valueInteger=2))
    answer = client.send_fhir("POST", f"{RUN}?_format=csv", body)
    assert len(answer.text.splitlines()) == 2
    assert "patient" not in answer.text


def test_since_and_group(client: RecordClient, patient: str) -> None:
    client.new_observation(patient)
    other = client.new_patient()
    client.new_observation(other)
    group = {"resourceType": "Group", "type": "person", "actual": True}
    members = [{"entity": {"reference": patient}}, {"entity": {"reference": other}, "inactive": True}]
    made = client.send_fhir("POST", "/fhir/Group", {**group, "member": members}).json()
    chosen = named("group", valueReference={"reference": f"Group/{made['id']}"})
    found = lines(client.send_fhir("POST", RUN, parameters(OWN, chosen)))
    assert {row["patient"] for row in found} == {patient.rpartition("/")[2]}
    none = lines(
        client.send_fhir("POST", RUN, parameters(OWN, chosen, named("_since", valueInstant="2100-01-01T00:00:00Z")))
    )
    assert none == []
    some = lines(
        client.send_fhir("POST", RUN, parameters(OWN, chosen, named("_since", valueInstant="2020-01-01T00:00:00Z")))
    )
    assert some == found


def test_resources_sent_along_are_not_stored(client: RecordClient) -> None:
    resource = {"resourceType": "Observation", "id": "sent", "code": {"coding": [{"code": "8302-2"}]}}
    found = lines(client.send_fhir("POST", RUN, parameters(OWN, named("resource", resource=resource))))
    assert found == [{"id": "sent", "patient": None, "value": None}]
    assert client.get("/fhir/Observation/sent").status_code == 404


def test_a_shipped_table_runs_by_reference(client: RecordClient) -> None:
    with open("examples/resources/good/Observation-grip-strength.json", "rb") as file:
        resource = json.load(file)
    reference = named("viewReference", valueReference={"reference": "ViewDefinition/grip-strength"})
    (row,) = lines(client.send_fhir("POST", RUN, parameters(reference, named("resource", resource=resource))))
    assert (row["code"], row["value"], row["unit"]) == ("grip-strength-left-free", 31.75, "kgf")
    assert client.get("/views").json()["views"][0]["name"] == "patients"
    definition = client.get("/views/grip-strength").json()
    (same,) = lines(
        client.send_fhir(
            "POST", RUN, parameters(named("viewResource", resource=definition), named("resource", resource=resource))
        )
    )
    assert same == row
    columns = client.get("/views/grip-strength/codebook").json()["tables"][0]["columns"]
    assert [column["column"] for column in columns] == list(row)


REFUSED: dict[str, tuple[Any, int, str]] = {
    "no view": (parameters(), 400, "Parameters.parameter"),
    "no Parameters": ({"resourceType": "Patient"}, 400, "Parameters"),
    "two views": (parameters(OWN, OWN), 400, "Parameters.parameter[1]"),
    "unknown parameter": (parameters(OWN, named("patients", valueString="a")), 400, "Parameters.parameter[1]"),
    "unknown view": (parameters(named("viewReference", valueString="grip")), 404, "viewReference"),
    "unknown format": (parameters(OWN, named("_format", valueCode="xlsx")), 406, "_format"),
    "limit of none": (parameters(OWN, named("_limit", valueInteger=0)), 400, "Parameters.parameter[1]"),
    "no instant": (parameters(OWN, named("_since", valueInstant="yesterday")), 422, "_since"),
    "no such patient": (parameters(OWN, about("Patient/nobody")), 404, "patient"),
    "no patient": (parameters(OWN, about("Practitioner/a")), 400, "Parameters.parameter[1]"),
    "another source": (parameters(OWN, named("source", valueString="s3://a")), 405, "Parameters.parameter[1]"),
    "no resource in view": (
        parameters(named("viewResource", resource={**VIEW, "resource": "Pateint"})), 422, "ViewDefinition.resource",
    ),
    "not kept here": (
        parameters(named("viewResource", resource={**VIEW, "resource": "Claim", "where": [], "select": [
            {"column": [{"name": "id", "path": "id"}]}]})), 422, "ViewDefinition.resource",
    ),
    "unknown column": (
        parameters(named("viewResource", resource={**VIEW, "select": [
            {"column": [{"name": "v", "path": "valeu.ofType(Quantity).value"}]}]})),
        422, "ViewDefinition.select[0].column[0].path",
    ),
    "unknown function": (
        parameters(named("viewResource", resource={**VIEW, "where": [{"path": "code.exits()"}]})),
        422, "ViewDefinition.where[0].path",
    ),
    "impossible filter": (
        parameters(
            named("viewResource", resource={**VIEW, "resource": "Organization", "where": [], "select": [
                {"column": [{"name": "id", "path": "id"}]}]}),
            about("Patient/PATIENT"),
        ),
        422, "patient",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(REFUSED))
def test_what_cannot_be_run_is_refused_with_its_place(client: RecordClient, patient: str, name: str) -> None:
    body, status, place = REFUSED[name]
    sent = json.loads(json.dumps(body).replace("Patient/PATIENT", patient))
    refusal = client.refusal(client.send_fhir("POST", RUN, sent), status)
    assert refusal["expression"] == [place]


def test_a_filter_of_no_boolean_leaves_no_half_answer(client: RecordClient, patient: str) -> None:
    client.new_observation(patient)
    view = {**VIEW, "where": [{"path": "subject"}]}
    answer = client.send_fhir("POST", RUN, parameters(named("viewResource", resource=view), about(patient)))
    assert client.refusal(answer, 422)["expression"] == ["ViewDefinition.where[0].path"]


def test_what_was_shown_is_written_down(client: RecordClient, patient: str) -> None:
    client.new_observation(patient)
    lines(client.send_fhir("POST", RUN, parameters(OWN, about(patient))))
    events = client.get("/fhir/AuditEvent", params={"patient": patient}).json()["entry"]
    assert "view" in {event["resource"]["subtype"][0]["code"] for event in events}
