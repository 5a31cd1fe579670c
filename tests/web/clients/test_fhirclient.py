"""fhirclient, the FHIR client for Python of the SMART project, drives the server unmodified over a socket."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest
from fhirclient.client import FHIRClient
from fhirclient.models.bundle import Bundle
from fhirclient.models.observation import Observation
from fhirclient.models.patient import Patient
from fhirclient.server import FHIRNotFoundException, FHIRServer
from requests.exceptions import HTTPError


@pytest.fixture
def server(client: Any) -> FHIRServer:
    settings = {"app_id": "invented-app", "api_base": f"{client.base_url}/fhir"}
    server: FHIRServer = FHIRClient(settings=settings).server
    assert server.capabilityStatement.fhirVersion == "4.0.1"
    return server


@pytest.fixture
def patient(server: FHIRServer, client: Any) -> Patient:
    made = Patient(client.patient(name=[{"family": "Fhirclient-Invented", "given": ["Ida"]}]))
    return Patient.read(made.create(server)["id"], server)


def height(subject: str, centimetres: int, day: str = "2026-03-02") -> Observation:
    return Observation(
        {
            "resourceType": "Observation",
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "8302-2"}]},
            "subject": {"reference": subject},
            "effectiveDateTime": day,
            "valueQuantity": {"value": centimetres, "unit": "cm", "system": "http://unitsofmeasure.org", "code": "cm"},
        }
    )


def test_it_creates_reads_updates_and_deletes(server: FHIRServer, patient: Patient) -> None:
    assert patient.name[0].family == "Fhirclient-Invented"
    assert patient.meta.versionId == "1"
    patient.gender = "female"
    assert patient.update()["meta"]["versionId"] == "2"
    assert Patient.read(patient.id, server).gender == "female"
    patient.delete()
    with pytest.raises(HTTPError, match="410"):
        Patient.read(patient.id, server)
    with pytest.raises(FHIRNotFoundException):
        Patient.read("nobody", server)


def test_it_reads_history(server: FHIRServer, patient: Patient) -> None:
    patient.gender = "male"
    patient.update()
    history = Bundle.read_from(f"Patient/{patient.id}/_history", server)
    assert history.type == "history"
    assert [(entry.request.method, entry.resource.meta.versionId) for entry in history.entry] == [
        ("PUT", "2"), ("POST", "1"),
    ]  # fmt: skip


def test_it_searches_and_turns_pages(server: FHIRServer, patient: Patient) -> None:
    days = [f"2026-03-{day:02}" for day in range(1, 8)]
    for centimetres, day in enumerate(days, 160):
        height(f"Patient/{patient.id}", centimetres, day).create(server)
    search = Observation.where({"patient": patient.id, "_count": "3", "_sort": "date"})
    pages = list(search.perform_iter(server))
    assert [len(page.entry) for page in pages] == [3, 3, 1]
    found = list(search.perform_resources_iter(server))
    assert [each.as_json()["effectiveDateTime"][:10] for each in found] == days
    with_patient = Observation.where({"patient": patient.id}).include("subject").perform_resources_iter(server)
    assert {each.resource_type for each in with_patient} == {"Observation", "Patient"}
    back = Patient.where({"_id": patient.id}).include("subject", Observation, reverse=True)
    assert len(list(back.perform_resources_iter(server))) == 1 + len(days)


def test_it_runs_a_transaction(server: FHIRServer, client: Any) -> None:
    place = f"urn:uuid:{uuid4()}"
    bundle = Bundle(
        {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [
                {"fullUrl": place, "resource": client.patient(), "request": {"method": "POST", "url": "Patient"}},
                {
                    "resource": height(place, 171).as_json(),
                    "request": {"method": "POST", "url": "Observation"},
                },
            ],
        }
    )
    answer = Bundle(bundle.create(server))
    assert answer.type == "transaction-response"
    assert [entry.response.status.split()[0] for entry in answer.entry] == ["201", "201"]
    ident = answer.entry[1].response.location.split("/_history")[0].rsplit("/", 1)[1]
    observation = Observation.read(ident, server)
    resolved = observation.subject.resolved(Patient)
    assert resolved.id == answer.entry[0].response.location.split("/_history")[0].rsplit("/", 1)[1]


def test_it_is_told_what_is_wrong(server: FHIRServer) -> None:
    with pytest.raises(HTTPError, match="422"):
        height("Patient/nobody", 171).create(server)
