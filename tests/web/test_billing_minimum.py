"""The biller's view holds no measurement: every byte of it is searched for marked values."""

from __future__ import annotations

import json
from typing import Any

from service.fhir.canonical import profile

from .conftest import RecordClient
from .test_billing import BASE, DESIGN, LINE, NAME, begun, confirmed, delivered, seen, stated

ANGLE, OTHER_ANGLE, HOURS, GRAMS, SHARE = "37.125", "41.375", "7.625", "21.875", "33.5"
WORD = "Zyxw"
MARKS = (ANGLE, OTHER_ANGLE, HOURS, GRAMS, SHARE, WORD.casefold())


def words(place: str) -> str:
    """A clinician's own words, marked, with a number in them."""
    return f"{WORD} {place} {ANGLE}"


def _numbers(text: str) -> Any:
    """JSON whose marked numbers are numbers."""
    for mark in MARKS[:-1]:
        text = text.replace(f'"#{mark}"', mark)
    return text.encode()


def marked(client: RecordClient) -> tuple[str, str]:
    """A patient and an episode whose every measurement, angle, finding and remark is marked."""
    patient = client.new_patient(name=NAME, birthDate="1960-05-06")
    injury = {
        "resourceType": "Condition",
        "code": {"text": words("condition")},
        "subject": {"reference": patient},
        "note": [{"text": words("note")}],
    }
    assert client.send_fhir("POST", "/fhir/Condition", injury).status_code == 201
    assert client.send_fhir("POST", "/fhir/Observation", client.observation(patient, GRAMS)).status_code == 201
    design = {
        **DESIGN,
        "holds": [{"joint": "ring-mcp", "angle": f"#{ANGLE}"}, {"joint": "little-mcp", "angle": f"#{OTHER_ANGLE}"}],
        "blocks": [{"joint": "ring-pip", "motion": "extension", "beyond": f"#{OTHER_ANGLE}"}],
        "material": words("material"),
        "padding": words("padding"),
        "components": [{"name": words("component"), "share": f"#{SHARE}"}],
        "end_range": {"motion": "extension", "assumption": words("assumption")},
    }
    by = {"by": {"name": "A. Invented"}, "expertise": "hand therapist"}
    check = {"findings": {"colour": words("finding")}, "red_flag": True}
    moved = [{"joint": "ring-mcp", "angle": f"#{OTHER_ANGLE}"}]
    regimen = {"wearing": "hours-a-day", "hours": f"#{HOURS}"}
    body = {
        "patient": {"id": patient[8:]},
        "decided": "2026-03-01",
        "by": {"name": "Dr C. Invented"},
        "reason": words("reason"),
        "goal": words("goal"),
        "name": words("name"),
        "names": [words("other name")],
        "series": {"name": words("series"), "number": 1, "reason": words("series reason")},
        "design": design,
        "events": [
            {"kind": "fitted", "at": "2026-03-02", "note": words("fitting"), "where": words("place"), **by},
            {"kind": "worn", "at": "2026-03-02", "regimen": regimen},
            {"kind": "checked", "at": "2026-03-03", "check": check},
            {"kind": "adjusted", "at": "2026-03-04", "holds": moved, "note": words("adjusting")},
            {"kind": "repaired", "at": "2026-03-05", "note": words("repair")},
            {"kind": "exercise", "at": "2026-03-05", "exercise": {"leads": "ring-dip", "repetitions": 10}},
        ],
    }
    sent = _numbers(json.dumps(body))
    answer = client.request("POST", "/orthosis-episodes", content=sent, headers={"content-type": "application/json"})
    assert answer.status_code == 201, answer.text
    episode = str(answer.json()["id"])
    hours = json.dumps({"days": [{"day": "2026-03-03", "hours": f"#{HOURS}"}]})
    headers = {"content-type": "application/json"}
    worn = client.request("POST", f"/orthosis-episodes/{episode}/hours", content=_numbers(hours), headers=headers)
    assert worn.status_code == 200, worn.text
    coverage = {"resourceType": "Coverage", "status": "active", "beneficiary": {"reference": patient},
                "payor": [{"display": "Medicare"}]}  # fmt: skip
    assert client.send_fhir("POST", "/fhir/Coverage", coverage).status_code == 201
    delivered(client, episode)
    stated(client, episode, "order-signature", signed=True)
    stated(client, episode, "plan-of-care")
    return patient, episode


def _marks_in(text: str) -> list[str]:
    return [mark for mark in MARKS if mark in text.casefold()]


def test_no_byte_of_the_billers_view_is_a_measurement(client: RecordClient) -> None:
    patient, episode = marked(client)
    chart = client.get(f"/orthosis-episodes/{episode}").text + client.get(f"/fhir/Observation?patient={patient}").text
    assert set(_marks_in(chart)) == set(MARKS)  # the marks are there to be found
    shown = [client.get(f"{BASE}/{episode}").text, client.get(f"{BASE}?patient={patient[8:]}").text]
    found = seen(client, episode)
    assert found["state"] == "ready", found["lacks"]
    for state in ("ready", "lacking", "confirmed"):
        shown.append(client.get(f"{BASE}?state={state}").text)
    wrong = {"version": found["version"], "lines": [{**LINE, "units": 9}]}
    shown.append(client.post(f"{BASE}/{episode}/confirmation", json=wrong).text)
    client.post("/billing/exports")  # what other tests left behind
    made = confirmed(client, found)
    shown.append(json.dumps(made))
    export = client.post("/billing/exports").json()
    shown += [client.get(export[form]).text for form in ("csv", "bundle")]
    retraction = f"/orthosis-episodes/{episode}/events/5/retraction"
    assert client.post(retraction, json={"reason": words("retraction")}).status_code == 200
    review = seen(client, episode)
    assert review["state"] == "needs-review"
    shown += [json.dumps(review), client.get(f"{BASE}?state=needs-review").text]
    stored = [client.get(f"/fhir/{made['charges'][0]['reference']}").text]
    stored.append(client.get(f"/fhir/Task/{made['decisions'][0]['id']}").text)
    assert [_marks_in(text) for text in (*shown, *stored)] == [[]] * (len(shown) + len(stored))


def test_every_answer_says_who_decides(client: RecordClient) -> None:
    episode = begun(client, client.new_patient(name=NAME))
    for path in (f"{BASE}/{episode}", BASE, "/billing/exports"):
        assert "Local payer rules and licensed practice decide" in client.get(path).json()["note"]


def test_the_condition_of_the_side_is_pointed_at_and_not_told(client: RecordClient) -> None:
    patient = client.new_patient(name=NAME)
    injury = {"what": words("injury"), "side": "right", "on": "2026-02-20"}
    begin = client.post(f"/patients/{patient[8:]}/injuries", json=injury)
    assert begin.status_code == 201, begin.text
    episode = begun(client, patient, reason="")
    found = client.get(f"{BASE}/{episode}").text
    need = next(item for item in seen(client, episode)["checklist"] if item["item"] == "medical-need")
    assert need["status"] == "has"
    (condition,) = need["proofs"]
    assert profile("injury") in client.get(f"/fhir/{condition}").text
    assert _marks_in(found) == []
