"""What a researcher does over HTTP: study, count, cohort, release, tables of it; and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

import pytest

_NUMBERS = count(1)
EXPIRES = (datetime.now(UTC).date() + timedelta(days=30)).isoformat()
STUDY = {
    "title": "Invented study", "approval": "EC-2026-1", "purpose": "stiff fingers", "consent_basis": "broad consent",
    "profile": "S", "expires": EXPIRES, "researchers": ["nobody"], "quasi": ["gender"], "k": 2,
}  # fmt: skip


def grip(client: Any, patient: str, value: str, day: str) -> None:
    visit = {
        "patient": {"id": patient.removeprefix("Patient/")},
        "when": f"{day}T09:30",
        "zone": "Europe/Vienna",
        "by": {"name": "A. Invented, hand therapist"},
        "readings": [{"kind": "grip-strength", "side": "right", "site": "hand", "trials": [value], "unit": "kgf"}],
    }
    answer = client.post("/visits", json=visit)
    assert answer.status_code == 201, answer.text


@pytest.fixture
def patients(client: Any) -> str:
    """Three invented patients with a year of birth of their own, who are a cohort by it."""
    year = str(1930 + next(_NUMBERS))
    for _ in range(3):
        patient = client.new_patient(gender="female", birthDate=f"{year}-05-06", name=[{"family": "ZZ-INVENTED-MARK"}])
        for value, day in (("20.5", "2026-03-02"), ("22.0", "2026-03-16")):
            grip(client, patient, value, day)
    return year


def opened(client: Any, **changed: Any) -> str:
    answer = client.post("/studies", json={**STUDY, **changed})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["id"])


def released(client: Any, study: str, year: str) -> dict[str, Any]:
    criteria = [{"name": "birthdate", "value": year}]
    cohort = client.post(f"/studies/{study}/cohorts", json={"criteria": criteria})
    assert cohort.status_code == 201, cohort.text
    assert cohort.json()["quantity"] == 3
    answer = client.post(f"/studies/{study}/releases", json={"cohort": cohort.json()["cohort"]})
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    return made


def test_from_a_study_to_a_table(client: Any, patients: str) -> None:
    study = opened(client)
    assert study in [each["id"] for each in client.get("/studies").json()["studies"]]
    counted = client.post(f"/studies/{study}/counts", json={"criteria": [{"name": "birthdate", "value": patients}]})
    assert counted.json() == {"count": 3, "fewer_than": 2}
    made = released(client, study, patients)
    assert made["classes"] == {"smallest": 3, "below": 0, "of": 3}
    assert client.get(f"/releases/{made['id']}").json() == made
    assert [each["id"] for each in client.get(f"/studies/{study}/releases").json()["releases"]] == [made["id"]]

    rows = client.get(f"/releases/{made['id']}/tables/grip-strength").text.splitlines()
    assert len(rows) == 6
    table = client.get(f"/releases/{made['id']}/tables/grip-strength", headers={"accept": "application/json"}).json()
    assert sorted(row["study_day"] for row in table) == [0, 0, 0, 14, 14, 14]
    assert {row["taken"] for row in table} == {None}
    assert len({row["patient"] for row in table}) == 3
    csv = client.get(f"/releases/{made['id']}/tables/patients?_format=csv")
    assert csv.headers["content-type"].startswith("text/csv")
    assert len(csv.text.splitlines()) == 4
    codebook = client.get(f"/releases/{made['id']}/codebook").json()
    assert "grip-strength" in {each["name"] for each in codebook["tables"]}


def test_every_byte_of_a_release_is_free_of_what_people_wrote(client: Any, patients: str) -> None:
    made = released(client, opened(client), patients)
    everything = "".join(client.get(f"/releases/{made['id']}/files/{each['name']}").text for each in made["files"])
    everything += str(made)
    assert everything.count('"resourceType":"Observation"') == 6
    for token in ("ZZ-INVENTED-MARK", "A. Invented", "2026-03", f"{patients}-", "09:30"):
        assert token not in everything


def test_a_view_of_ones_own_runs_over_a_release(client: Any, patients: str) -> None:
    made = released(client, opened(client), patients)
    view = {
        "resourceType": "ViewDefinition",
        "name": "own",
        "status": "draft",
        "resource": "Patient",
        "select": [{"column": [{"name": "sex", "path": "gender"}, {"name": "names", "path": "name.count()"}]}],
    }
    body = {"resourceType": "Parameters", "parameter": [{"name": "viewResource", "resource": view}]}
    answer = client.send_fhir("POST", f"/releases/{made['id']}/$viewdefinition-run", body)
    assert answer.status_code == 200, answer.text
    assert [line for line in answer.text.splitlines() if '"names":0' in line] == answer.text.splitlines()
    body["parameter"].append({"name": "patient", "valueReference": {"reference": "Patient/1"}})
    client.refusal(client.send_fhir("POST", f"/releases/{made['id']}/$viewdefinition-run", body), 400)


def test_corrections_are_listed_by_the_names_of_the_study(client: Any, patients: str) -> None:
    made = released(client, opened(client), patients)
    assert client.get(f"/releases/{made['id']}/corrections").json() == {"changed": []}
    found = client.get(f"/fhir/Observation?subject.birthdate={patients}&_count=1").json()["entry"][0]["resource"]
    client.request("DELETE", f"/fhir/Observation/{found['id']}").raise_for_status()
    changed = client.get(f"/releases/{made['id']}/corrections").json()["changed"]
    assert len(changed) == 1
    assert changed[0].startswith("Observation/")
    assert found["id"] not in changed[0]


@pytest.mark.parametrize(
    ("changed", "status", "where"),
    [
        ({"profile": "T"}, 400, "profile"),
        ({"profile": "L"}, 422, "agreement"),
        ({"expires": "soon"}, 400, "expires"),
        ({"researchers": "all"}, 400, "researchers"),
        ({"quasi": ["shoe-size"]}, 422, "quasi[0]"),
    ],
)
def test_a_study_that_cannot_be(client: Any, changed: dict[str, Any], status: int, where: str) -> None:
    refused = client.refusal(client.post("/studies", json={**STUDY, **changed}), status)
    assert refused["expression"] == [where]


def test_what_is_not_there_and_what_is_over(client: Any, patients: str) -> None:
    client.refusal(client.get("/releases/none"), 404)
    client.refusal(client.post("/studies/none/counts", json={"criteria": []}), 404)
    study = opened(client)
    made = released(client, study, patients)
    client.refusal(client.get(f"/releases/{made['id']}/files/Patient.csv"), 404)
    client.refusal(client.get(f"/releases/{made['id']}/tables/none"), 404)
    client.refusal(client.post(f"/studies/{study}/releases", json={"cohort": "none"}), 404)
    criteria = {"criteria": [{"name": "family", "value": "ZZ"}]}
    assert "not asked for by this" in client.refusal(client.post(f"/studies/{study}/counts", json=criteria), 422)[
        "details"
    ]["text"]  # fmt: skip
    assert client.post(f"/studies/{study}/close").status_code == 200
    client.refusal(client.get(f"/releases/{made['id']}"), 409)
    client.refusal(client.post(f"/studies/{study}/close"), 409)
