"""Orthosis episodes over HTTP, and the same episodes through /fhir."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.errors import Misconfigured
from service.fhir.canonical import code_system, profile
from service.usecases.orthosis_clinic import clinic_of
from service.web.orthosis_forms import EVENTS_EXAMPLE, EXAMPLE

from .conftest import RecordClient


def begun(client: RecordClient, patient: str = "", **change: Any) -> dict[str, Any]:
    """A new episode of a new patient, as the example in the documentation has it."""
    reference = patient or client.new_patient()
    answer = client.post("/orthosis-episodes", json={**EXAMPLE, "patient": {"id": reference[8:]}, **change})
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    assert answer.headers["location"] == f"/orthosis-episodes/{found['id']}"
    return found


def events(client: RecordClient, episode: str, *given: dict[str, Any], **more: Any) -> Any:
    return client.post(f"/orthosis-episodes/{episode}/events", json={"events": list(given), **more})


def test_the_documented_example_is_worn_from_its_first_day(client: RecordClient) -> None:
    found = begun(client)
    assert (found["state"], found["worn"]["since"]) == ("worn", "2026-03-02")
    assert found["descriptive_name"] == "Ring finger PIP extension mobilization orthosis, type 0 [1]"
    assert found["dose"]["end_range_rests_on"] == "set where the joint stopped under a gentle hand"
    assert not found["safety"]["comes_off"]
    assert client.get(f"/orthosis-episodes/{found['id']}").json()["events"] == found["events"]


def test_events_are_recorded_all_or_none(client: RecordClient) -> None:
    found = begun(client)
    lawful = EVENTS_EXAMPLE["events"][0]
    refused = events(client, found["id"], lawful, {"kind": "made", "at": "2026-03-06"})
    first = client.refusal(refused, 409)
    assert "the orthosis was worn" in first["details"]["text"]
    assert "event-of-state" in first["diagnostics"]
    assert len(client.get(f"/orthosis-episodes/{found['id']}/events").json()["events"]) == 2
    assert events(client, found["id"], lawful).status_code == 200


def test_what_is_wrong_with_an_event_says_with_which(client: RecordClient) -> None:
    found = begun(client)
    lawful = EVENTS_EXAMPLE["events"][0]
    late = events(client, found["id"], lawful, {"kind": "made", "at": "2026-03-06"})
    assert client.refusal(late, 409)["expression"] == ["events[1]"]
    undated = events(client, found["id"], lawful, lawful, {"kind": "checked", "at": "March"})
    assert client.refusal(undated, 422)["expression"] == ["events[2].at"]
    bare = events(client, found["id"], {"kind": "worn", "at": "2026-03-06"})
    assert client.refusal(bare, 422)["expression"] == ["events[0].regimen"]
    body = {**EXAMPLE, "patient": {"id": client.new_patient()[8:]}, "events": [{"kind": "held", "at": "2026-03-04"}]}
    assert client.refusal(client.post("/orthosis-episodes", json=body), 409)["expression"] == ["events[0]"]


def test_what_was_written_without_having_seen_the_last_event_is_refused(client: RecordClient) -> None:
    found = begun(client)
    assert events(client, found["id"], *EVENTS_EXAMPLE["events"], after=2).json()["last_event"] == 3
    client.refusal(events(client, found["id"], *EVENTS_EXAMPLE["events"], after=2), 409)


def test_a_second_cast_on_the_joint_is_refused_until_the_first_ends(client: RecordClient) -> None:
    patient = client.new_patient()
    first = begun(client, patient)
    refused = client.post("/orthosis-episodes", json={**EXAMPLE, "patient": {"id": patient[8:]}, "name": "Cast 2"})
    assert "take off neither" in client.refusal(refused, 409)["details"]["text"]
    end = {"kind": "ended", "at": "2026-03-02", "reason": "replaced", "replaced_by": "Cast 2"}
    assert events(client, first["id"], end).status_code == 200
    begun(client, patient, name="Cast 2", series={"name": "ring finger", "number": 2, "reason": "gain slowed"})
    found = client.get(f"/patients/{patient[8:]}/orthoses").json()
    assert [each["name"] for each in found["worn_now"]] == ["Cast 2"]
    assert found["change_intervals"] == [{"series": "ring finger", "number": 2, "days": 0, "reason": "gain slowed"}]


def test_lists_by_state_and_by_day(client: RecordClient) -> None:
    patient = client.new_patient()
    found = begun(client, patient)
    base = f"/orthosis-episodes?patient={patient[8:]}"
    assert [each["id"] for each in client.get(f"{base}&state=worn").json()["episodes"]] == [found["id"]]
    assert client.get(f"{base}&state=planned").json()["episodes"] == []
    assert client.get(f"{base}&date=2026-03-01").json()["episodes"] == []
    assert len(client.get(f"{base}&date=2026-03-02").json()["episodes"]) == 1
    client.refusal(client.get(f"{base}&state=lost"), 422)
    assert found["id"] in {each["id"] for each in client.get("/orthosis-episodes?state=worn").json()["episodes"]}
    assert client.get("/orthosis-episodes?state=entered-in-error").json()["episodes"] == []
    client.refusal(client.get(f"{base}&colour=blue"), 400)


def test_a_red_flag_stands_on_top_until_somebody_named_answers(client: RecordClient) -> None:
    patient = client.new_patient()
    found = begun(client, patient)
    check = {"kind": "checked", "at": "2026-03-04", "check": {"findings": {"colour": "blue"}, "red_flag": True}}
    assert events(client, found["id"], check).status_code == 200
    glance = client.get(f"/patients/{patient[8:]}/orthoses").json()
    assert [(flag["number"], flag["episode"]) for flag in glance["red_flags"]] == [(3, found["id"])]
    assert list(glance)[1] == "red_flags"
    summary = client.get(f"/patients/{patient[8:]}/summary").json()
    assert next(iter(summary)) == "red_flags"
    (flag,) = summary["red_flags"]
    assert (flag["number"], flag["at"], flag["findings"]) == (3, "2026-03-04", {"colour": "blue"})
    nobody = {"kind": "answered", "at": "2026-03-04", "answers": 3, "note": "cut in halves"}
    client.refusal(events(client, found["id"], nobody), 422)
    assert events(client, found["id"], {**nobody, "by": {"name": "A. Invented"}}).status_code == 200
    assert client.get(f"/patients/{patient[8:]}/orthoses").json()["red_flags"] == []
    assert client.get(f"/patients/{patient[8:]}/summary").json()["red_flags"] == []


def test_an_event_is_taken_back_with_a_reason_and_stays_written(client: RecordClient) -> None:
    found = begun(client)
    assert events(client, found["id"], *EVENTS_EXAMPLE["events"]).status_code == 200
    address = f"/orthosis-episodes/{found['id']}/events/3/retraction"
    client.refusal(client.post(address, json={"reason": " "}), 422)
    taken = client.post(address, json={"reason": "the other hand"}).json()["events"][2]
    assert taken["retracted"] == "the other hand"
    assert client.get(f"/fhir/{taken['resource']}").json()["status"] == "entered-in-error"
    client.refusal(client.post(address, json={"reason": "again"}), 404)
    worn_needs_fitting = f"/orthosis-episodes/{found['id']}/events/1/retraction"
    client.refusal(client.post(worn_needs_fitting, json={"reason": "never fitted"}), 409)


def test_hours_are_kept_as_written_and_replaced_by_day_and_source(client: RecordClient) -> None:
    found = begun(client)
    address = f"/orthosis-episodes/{found['id']}/hours"
    body = b'{"days":[{"day":"2026-03-03","hours":21.50},{"day":"2026-03-04","hours":20,"source":"sensed","by":"x"}]}'
    told = client.request("POST", address, content=body, headers={"content-type": "application/json"})
    assert told.json()["dose"]["worn"]["reported"]["hours"] == 21.5
    assert '"hours":21.50' in told.text
    assert client.get(f"/patients/{found['patient'][8:]}/summary").json()["not_used"] == {}
    again = client.post(address, json={"days": [{"day": "2026-03-03", "hours": 10}]}).json()
    assert again["dose"]["worn"]["reported"]["days"] == 1
    assert again["dose"]["end_range"]["reported"] == 10
    client.refusal(client.post(address, json={"days": [{"day": "2026-03-03", "hours": 25}]}), 422)
    twice = client.post(address, json={"days": [{"day": "2026-03-03", "hours": n} for n in (4, 5)]})
    told = client.refusal(twice, 422)
    assert (told["expression"], "day-told-once" in told["diagnostics"]) == (["days[1].day"], True)
    stranger = client.post(address, json={"days": [{"day": "2026-03-03", "hours": 5, "by": "a passer-by"}]})
    assert client.refusal(stranger, 422)["expression"] == ["days[0].by"]
    assert client.get(f"/orthosis-episodes/{found['id']}").json()["dose"]["worn"]["reported"]["hours"] == 10
    client.refusal(client.post(address, json={"days": [{"day": "2026-02-01", "hours": 5}]}), 422)


@pytest.mark.parametrize("kind", ["ServiceRequest", "DeviceRequest", "Device", "DeviceUseStatement", "Procedure"])
def test_no_resource_of_an_episode_is_changed_or_deleted_directly(client: RecordClient, kind: str) -> None:
    patient = client.new_patient()
    begun(client, patient)
    stored = client.get(f"/fhir/{kind}?patient={patient[8:]}").json()["entry"][0]["resource"]
    address = f"/fhir/{kind}/{stored['id']}"
    plain = {name: value for name, value in stored.items() if name != "meta"} | {"language": "en"}
    for body in ({**stored, "language": "en"}, plain):
        assert "life-of-states" in client.refusal(client.send_fhir("PUT", address, body), 409)["diagnostics"]
    client.refusal(client.delete(address), 409)
    entry = {"resource": plain, "request": {"method": "PUT", "url": f"{kind}/{stored['id']}"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    client.refusal(client.send_fhir("POST", "/fhir", bundle), 409)
    patch = json.dumps([{"op": "add", "path": "/language", "value": "en"}]).encode()
    patched = client.request("PATCH", address, content=patch, headers={"content-type": "application/json-patch+json"})
    client.refusal(patched, 409)
    assert client.get(address).json() == stored


def procedure(found: dict[str, Any], patient: str, kind: str, day: str) -> dict[str, Any]:
    """An event as another program writes it."""
    return {
        "resourceType": "Procedure",
        "meta": {"profile": [profile("orthosis-event")]},
        "identifier": [{"system": found["key"]["system"], "value": found["key"]["value"]}],
        "status": "completed",
        "code": {"coding": [{"system": code_system("orthosis-event"), "code": kind}]},
        "subject": {"reference": patient},
        "performedDateTime": day,
        "complication": [{"text": "none seen"}],
    }


def test_an_event_posted_as_a_procedure_meets_the_same_guards(client: RecordClient) -> None:
    patient = client.new_patient()
    found = begun(client, patient)
    answer = client.send_fhir("POST", "/fhir/Procedure", procedure(found, patient, "held", "2026-03-05"))
    assert answer.status_code == 201, answer.text
    stored = client.get(answer.headers["location"].split("/_history")[0])
    assert stored.headers["etag"] == answer.headers["etag"]
    assert stored.json()["complication"] == [{"text": "none seen"}]
    assert client.get(f"/orthosis-episodes/{found['id']}").json()["state"] == "on-hold"
    assert client.get(f"/fhir/ServiceRequest/{found['id']}").json()["status"] == "on-hold"
    refused = client.send_fhir("POST", "/fhir/Procedure", procedure(found, patient, "held", "2026-03-06"))
    assert "event-of-state" in client.refusal(refused, 409)["diagnostics"]
    lone = {**procedure(found, patient, "held", "2026-03-06"), "identifier": [{"system": "urn:x", "value": "lone"}]}
    assert "whole-episode" in client.refusal(client.send_fhir("POST", "/fhir/Procedure", lone), 422)["diagnostics"]


def test_an_event_under_another_patients_key_is_refused(client: RecordClient) -> None:
    found = begun(client)
    other = client.new_patient()
    begun(client, other)
    refused = client.send_fhir("POST", "/fhir/Procedure", procedure(found, other, "held", "2026-03-05"))
    assert refused.status_code in (409, 422)


@pytest.mark.parametrize(
    ("change", "status", "rule"),
    [
        ({"design": {"side": "middle"}}, 422, "known-side"),
        ({"design": {"side": "right", "digits": ["index"], "holds": [{"joint": "ring-pip"}]}}, 422, "digit-of-design"),
        ({"patient": {"id": "nobody"}}, 422, ""),
        ({"colour": "blue"}, 400, "extra-forbidden"),
        ({"decided": "March"}, 400, "value-error"),
        ({"decided": "2026-03-03"}, 409, "event-before-its-cause"),
        ({"events": [{"kind": "worn", "at": "2026-03-02", "regimen": {"wearing": "night"}}]}, 409, "event-of-state"),
    ],
)
def test_what_cannot_be_begun_says_why(client: RecordClient, change: dict[str, Any], status: int, rule: str) -> None:
    body = {**EXAMPLE, "patient": {"id": client.new_patient()[8:]}, **change}
    found = client.refusal(client.post("/orthosis-episodes", json=body), status)
    assert rule in found.get("diagnostics", "")


def test_the_side_must_be_one_that_the_course_treats(client: RecordClient) -> None:
    patient = client.new_patient()
    course = {
        "resourceType": "EpisodeOfCare",
        "meta": {"profile": [profile("course-of-therapy")]},
        "extension": [{"url": profile("affected-side"), "valueCode": "left"}],
        "status": "active",
        "patient": {"reference": patient},
        "period": {"start": "2026-02-01"},
    }
    assert client.send_fhir("POST", "/fhir/EpisodeOfCare", course).status_code == 201
    refused = client.post("/orthosis-episodes", json={**EXAMPLE, "patient": {"id": patient[8:]}})
    assert "side-of-course" in client.refusal(refused, 422)["diagnostics"]


def test_a_precaution_in_force_keeps_removal_out_of_the_texts(client: RecordClient) -> None:
    patient = client.new_patient()
    loose = begun(client, patient, design={**EXAMPLE["design"], "removable": "yes"})
    assert loose["safety"]["comes_off"]
    flag = {
        "resourceType": "Flag",
        "status": "active",
        "code": {"text": "No active flexion until the tendon has healed"},
        "subject": {"reference": patient},
    }
    made = client.send_fhir("POST", "/fhir/Flag", flag)
    assert made.status_code == 201, made.text
    found = client.get(f"/orthosis-episodes/{loose['id']}").json()
    assert not found["safety"]["comes_off"]
    assert found["precautions"]["stated"] == ["No active flexion until the tendon has healed"]
    assert not any("off" in each["text"].split() for each in found["safety"]["texts"])
    numb = {**flag, "code": {"text": "No protective sensation"}}
    assert client.send_fhir("POST", "/fhir/Flag", numb).status_code == 201
    texts = client.get(f"/orthosis-episodes/{loose['id']}").json()["safety"]["texts"]
    assert all("pain is no warning" in each["text"] for each in texts)


# What the clinic sets


def test_the_clinics_file_sets_texts_telephone_and_limits(tmp_path: Path) -> None:
    path = tmp_path / "orthoses.json"
    path.write_text(
        json.dumps(
            {
                "telephone": "0123 456",
                "texts": {"urgent": {"stays-on": "Go to the emergency department. Call {telephone}."}},
                "review": {"days-in-one-cast": 7},
            }
        )
    )
    clinic = clinic_of(path)
    assert (clinic.texts.telephone, clinic.limits) == ("0123 456", {"days-in-one-cast": 7})
    assert clinic_of(None).limits == {}


@pytest.mark.parametrize(
    "content",
    [
        '{"telephone": 5}',
        '{"colour": "blue"}',
        '{"review": {"days-of-rain": 7}}',
        '{"texts": {"urgent": {"stays-on": "Take it off."}}}',
        "not JSON",
    ],
)
def test_a_clinics_file_that_cannot_be_used_is_named(tmp_path: Path, content: str) -> None:
    path = tmp_path / "orthoses.json"
    path.write_text(content)
    with pytest.raises(Misconfigured) as refused:
        clinic_of(path)
    assert "HANDRECORD_ORTHOSIS_FILE" in refused.value.issues[0].where
    with pytest.raises(Misconfigured):
        clinic_of(tmp_path / "nowhere.json")
