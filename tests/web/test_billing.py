"""Confirming orthosis episodes for billing over HTTP, from the evidence to the export."""

from __future__ import annotations

import csv
import json
from concurrent.futures import ThreadPoolExecutor
from io import StringIO
from threading import Barrier
from typing import Any

import pytest

from service.domain.billing.charge_rows import COLUMNS
from service.domain.billing.rule_sets import DECIDES
from service.fhir.text import parse
from tests.conformance.validators import complaints

from .conftest import RecordClient

HCPCS = "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"
BASE = "/billing/orthosis-episodes"
DESIGN = {
    "side": "right",
    "form": "orthosis",
    "region": "hand-finger",
    "digits": ["ring", "little"],
    "holds": [{"joint": "ring-mcp", "angle": 60}, {"joint": "little-mcp", "angle": 60}],
    "purpose": "immobilise",
    "mechanism": "static",
    "material": "thermoplastic",
    "fabrication": "custom",
    "removable": "yes",
}
THERAPIST = {"name": "A. Invented"}


def begun(client: RecordClient, patient: str, payer: str = "Medicare", **change: Any) -> str:
    """The id of a custom orthosis that was fitted; the patient is covered by this payer, or by nobody."""
    if payer:
        coverage = {
            "resourceType": "Coverage",
            "status": "active",
            "subscriberId": "S-1",
            "beneficiary": {"reference": patient},
            "payor": [{"display": payer}],
        }
        assert client.send_fhir("POST", "/fhir/Coverage", coverage).status_code == 201
    body = {
        "patient": {"id": patient[8:]},
        "decided": "2026-03-01",
        "by": {"name": "Dr C. Invented"},
        "reason": "fracture of two metacarpals",
        "design": DESIGN,
        "events": [
            {"kind": "fitted", "at": "2026-03-02", "by": THERAPIST, "expertise": "hand therapist"},
            {"kind": "worn", "at": "2026-03-02", "regimen": {"wearing": "night"}},
        ],
        **change,
    }
    answer = client.post("/orthosis-episodes", json=body)
    assert answer.status_code == 201, answer.text
    return str(answer.json()["id"])


def delivered(client: RecordClient, episode: str, on: str = "2026-03-02", **more: Any) -> None:
    given = {
        "on": on,
        "description": "Hand and finger orthosis, custom fabricated",
        "address": "1 Invented Street",
        "receiver": "B. Invented",
        "relation": "daughter",
        "signed": True,
        "instructions": True,
        "supplier": "Invented Hand Clinic",
        **more,
    }
    assert client.post(f"{BASE}/{episode}/delivery", json=given).status_code == 201


def stated(client: RecordClient, episode: str, item: str, **more: Any) -> None:
    given = {"item": item, "on": "2026-03-01", "by": {"name": "Dr C. Invented"}, "document": "paper 12", **more}
    answer = client.post(f"{BASE}/{episode}/statements", json=given)
    assert answer.status_code == 201, answer.text


def ready(client: RecordClient, patient: str = "", **change: Any) -> dict[str, Any]:
    """An episode that lacks nothing under the general rules."""
    episode = begun(client, patient or client.new_patient(name=NAME, birthDate="1960-05-06"), **change)
    delivered(client, episode)
    stated(client, episode, "order-signature", signed=True)
    stated(client, episode, "plan-of-care")
    found = seen(client, episode)
    assert (found["state"], found["lacks"]) == ("ready", []), found["lacks"]
    return found


NAME = [{"family": "Invented", "given": ["Ida"]}]
LINE = {"system": HCPCS, "code": "L3913", "modifiers": ["RT"]}


def seen(client: RecordClient, episode: str) -> dict[str, Any]:
    answer = client.get(f"{BASE}/{episode}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def confirmed(client: RecordClient, found: dict[str, Any], *lines: dict[str, Any]) -> dict[str, Any]:
    body = {"version": found["version"], "lines": list(lines or (LINE,))}
    answer = client.post(f"{BASE}/{found['id']}/confirmation", json=body)
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    assert made["state"] == "confirmed"
    return made


def listed(client: RecordClient, state: str, patient: str = "") -> set[str]:
    answer = client.get(BASE, params={"state": state, "patient": patient})
    assert answer.json()["note"] == DECIDES
    return {each["id"] for each in answer.json()["episodes"]}


def test_what_is_lacking_is_named_until_it_is_there(client: RecordClient) -> None:
    episode = begun(client, client.new_patient(name=NAME))
    lacks = seen(client, episode)["lacks"]
    assert {each.split(":")[0] for each in lacks} == {
        "order-signature", "proof-of-delivery", "instructions", "plan-of-care", "supplier",
    }  # fmt: skip
    assert episode in listed(client, "lacking")
    refused = client.post(f"{BASE}/{episode}/confirmation", json={"version": seen(client, episode)["version"]})
    assert "plan-of-care" in client.refusal(refused, 409)["details"]["text"]
    stated(client, episode, "order-signature")  # not signed
    assert "order-signature: a signed order" in seen(client, episode)["lacks"]
    stated(client, episode, "order-signature", signed=True)
    delivered(client, episode, on="2026-03-04")
    assert next(e for e in seen(client, episode)["lacks"] if e.startswith("proof")).startswith(
        "proof-of-delivery: the date of service"
    )
    delivered(client, episode)
    stated(client, episode, "plan-of-care")
    assert seen(client, episode)["lacks"] == []
    assert episode in listed(client, "ready")


def test_each_item_points_at_what_proves_it(client: RecordClient) -> None:
    found = ready(client)
    for item in found["checklist"]:
        assert item["status"] in ("has", "not-asked")
        assert item["source"]
        assert item["proofs"] or item["item"] == "same-or-similar"
        for proof in item["proofs"]:
            assert client.get(f"/fhir/{proof}").status_code == 200, proof


def test_a_confirmation_is_a_task_and_a_charge_with_versions_and_names(client: RecordClient) -> None:
    found = ready(client)
    made = confirmed(client, found)
    (charge,) = made["charges"]
    resource = client.get(f"/fhir/{charge['reference']}").json()
    assert resource["code"]["coding"][0]["code"] == "L3913"
    assert resource["status"] == "billable"
    assert resource["occurrenceDateTime"] == "2026-03-02"
    (decision,) = made["decisions"]
    task = client.get(f"/fhir/Task/{decision['id']}").json()
    assert (task["status"], task["owner"]["display"]) == ("completed", "Local user of this computer")
    assert task["focus"]["reference"] == f"ServiceRequest/{found['id']}"
    rests_on = {part["valueReference"]["reference"] for part in task["input"] if "_history" in str(part)}
    assert set(decision["rests_on"]) == rests_on
    for reference in rests_on:
        assert client.get(f"/fhir/{reference}").status_code == 200
    assert found["id"] in listed(client, "confirmed")


def test_what_was_not_seen_is_not_confirmed(client: RecordClient) -> None:
    found = ready(client)
    held = {"events": [{"kind": "held", "at": "2026-03-05"}]}
    assert client.post(f"/orthosis-episodes/{found['id']}/events", json=held).status_code == 200
    body = {"version": found["version"], "lines": [LINE]}
    refused = client.post(f"{BASE}/{found['id']}/confirmation", json=body)
    assert "version-seen" in client.refusal(refused, 409)["diagnostics"]
    confirmed(client, seen(client, found["id"]))


def test_of_two_billers_at_once_one_wins_and_the_other_is_told(client: RecordClient) -> None:
    for _ in range(4):
        found = ready(client)
        body = {"version": found["version"], "lines": [LINE]}
        start = Barrier(2)

        def one(_: int, body: dict[str, Any] = body, start: Barrier = start, ident: str = found["id"]) -> Any:
            with RecordClient(base_url=client.base_url, timeout=20) as own:
                start.wait()
                return own.post(f"{BASE}/{ident}/confirmation", json=body)

        with ThreadPoolExecutor(2) as pool:
            answers = sorted(pool.map(one, range(2)), key=lambda answer: answer.status_code)
        assert [answer.status_code for answer in answers] == [201, 409]
        assert "confirmed it at" in client.refusal(answers[1], 409)["details"]["text"]
        now = seen(client, found["id"])
        assert (len(now["decisions"]), len(now["charges"])) == (1, 1)


def test_what_goes_on_is_no_correction_and_what_is_taken_back_is(client: RecordClient) -> None:
    found = ready(client)
    confirmed(client, found)
    happened = [{"kind": "held", "at": "2026-03-05"}, {"kind": "ended", "at": "2026-03-09", "reason": "goal-met"}]
    answer = client.post(f"/orthosis-episodes/{found['id']}/events", json={"events": happened})
    assert answer.status_code == 200
    assert seen(client, found["id"])["state"] == "confirmed"
    for place in (4, 3, 2, 1):
        address = f"/orthosis-episodes/{found['id']}/events/{place}/retraction"
        assert client.post(address, json={"reason": "the other patient"}).status_code == 200
    now = seen(client, found["id"])
    assert now["state"] == "needs-review"
    assert {change["what"] for change in now["changed"]} >= {"the date of service, which is now none"}
    assert found["id"] in listed(client, "needs-review")


def _corrected(client: RecordClient, found: dict[str, Any], quantity: int = 2) -> None:
    """Another quantity was delivered, as a correction through /fhir says."""
    proofs = next(item["proofs"] for item in found["checklist"] if item["item"] == "proof-of-delivery")
    resource = client.get(f"/fhir/{proofs[0]}").json()
    resource["suppliedItem"]["quantity"]["value"] = quantity
    assert client.send_fhir("PUT", f"/fhir/{proofs[0]}", resource).status_code == 200


def test_a_correction_waits_for_the_biller_who_keeps_or_voids(client: RecordClient) -> None:
    found = ready(client)
    confirmed(client, found)
    _corrected(client, found)
    now = seen(client, found["id"])
    assert (now["state"], [change["what"] for change in now["changed"]]) == ("needs-review", ["suppliedItem"])
    old = {"version": found["version"], "reason": "The quantity was a slip."}
    client.refusal(client.post(f"{BASE}/{found['id']}/keep", json=old), 409)
    kept = client.post(f"{BASE}/{found['id']}/keep", json={**old, "version": now["version"]}).json()
    assert (kept["state"], len(kept["charges"])) == ("confirmed", 1)
    assert "The quantity was a slip." in kept["decisions"][0]["notes"][0]
    _corrected(client, found, 1)
    again = seen(client, found["id"])
    void = {"version": again["version"], "reason": "Counted wrongly."}
    ended = client.post(f"{BASE}/{found['id']}/void", json=void).json()
    assert (ended["state"], ended["charges"][0]["void"]) == ("void", "Counted wrongly.")
    charge = client.get(f"/fhir/{ended['charges'][0]['reference']}").json()
    assert charge["status"] == "aborted"
    anew = confirmed(client, seen(client, found["id"]))
    assert [each["void"] for each in anew["charges"]] == ["Counted wrongly.", ""]


def test_returned_with_a_question_until_it_is_answered(client: RecordClient) -> None:
    found = ready(client)
    asked = client.post(f"{BASE}/{found['id']}/question", json={"question": "Which hand?"}).json()
    assert (asked["state"], asked["question"]) == ("returned", "Which hand?")
    assert found["id"] in listed(client, "returned")
    body = {"version": asked["version"], "lines": [LINE]}
    client.refusal(client.post(f"{BASE}/{found['id']}/confirmation", json=body), 409)
    client.refusal(client.post(f"{BASE}/{found['id']}/question", json={"question": "Again?"}), 409)
    answered = client.post(f"{BASE}/{found['id']}/answer", json={"answer": "The right."}).json()
    assert answered["state"] == "ready"
    assert answered["decisions"][0]["answer"] == "The right."
    client.refusal(client.post(f"{BASE}/{found['id']}/answer", json={"answer": "The right."}), 409)
    confirmed(client, answered)


@pytest.fixture
def exported(client: RecordClient) -> dict[str, Any]:
    """An episode whose charge has left; what other tests left behind leaves first."""
    client.post("/billing/exports")
    found = ready(client)
    confirmed(client, found)
    answer = client.post("/billing/exports")
    assert answer.status_code == 201, answer.text
    assert (answer.json()["charges"], answer.json()["reversals"]) == (1, 0)
    return {**found, "export": answer.json()}


def test_an_export_gives_each_line_once_and_the_same_bytes_again(
    client: RecordClient, exported: dict[str, Any]
) -> None:
    given = exported["export"]
    table, bundle = client.get(given["csv"]), client.get(given["bundle"])
    assert table.headers["content-type"].startswith("text/csv")
    (line,) = csv.DictReader(StringIO(table.text))
    assert tuple(line) == COLUMNS
    assert (line["kind"], line["code"], line["modifiers"], line["units"]) == ("charge", "L3913", "RT", "1")
    assert (line["family"], line["payer"], line["subscriber"]) == ("Invented", "Medicare", "S-1")
    assert line["date_of_service"] == "2026-03-02"
    (entry,) = bundle.json()["entry"]
    assert bundle.json()["id"] == given["id"]
    assert entry["resource"]["status"] == "billed"
    whole = parse(bundle.content)
    assert [str(c) for name in ("fhirkit", "fhirclient", "models", "ours") for c in complaints(name, whole)] == []
    client.refusal(client.post("/billing/exports"), 409)
    held = {"events": [{"kind": "held", "at": "2026-03-05"}]}
    assert client.post(f"/orthosis-episodes/{exported['id']}/events", json=held).status_code == 200
    assert client.get(given["csv"]).content == table.content
    assert client.get(given["bundle"]).content == bundle.content
    assert given["id"] in {each["id"] for each in client.get("/billing/exports").json()["exports"]}
    client.refusal(client.get("/billing/exports/nothing/csv"), 404)


def test_of_two_exports_at_once_one_takes_the_line(client: RecordClient) -> None:
    client.post("/billing/exports")
    confirmed(client, ready(client))
    start = Barrier(2)

    def one(_: int) -> Any:
        with RecordClient(base_url=client.base_url, timeout=20) as own:
            start.wait()
            return own.post("/billing/exports")

    with ThreadPoolExecutor(2) as pool:
        answers = sorted(pool.map(one, range(2)), key=lambda answer: answer.status_code)
    assert [answer.status_code for answer in answers] == [201, 409]
    assert answers[0].json()["charges"] == 1


def test_what_left_and_is_voided_leaves_once_more_as_a_reversal(client: RecordClient, exported: dict[str, Any]) -> None:
    now = seen(client, exported["id"])
    void = {"version": now["version"], "reason": "=1+1, billed twice"}
    assert client.post(f"{BASE}/{now['id']}/void", json=void).json()["state"] == "void"
    given = client.post("/billing/exports").json()
    assert (given["charges"], given["reversals"]) == (0, 1)
    (line,) = csv.DictReader(StringIO(client.get(given["csv"]).text))
    charge = now["charges"][0]["reference"].partition("/")[2]
    assert (line["kind"], line["charge"], line["void_reason"]) == ("reversal", charge, "'=1+1, billed twice")
    assert client.get(given["bundle"]).json()["entry"][0]["resource"]["status"] == "aborted"
    client.refusal(client.post("/billing/exports"), 409)
    confirmed(client, seen(client, exported["id"]))
    assert client.post("/billing/exports").json()["charges"] == 1


def test_what_needs_review_does_not_leave(client: RecordClient) -> None:
    client.post("/billing/exports")
    found = ready(client)
    confirmed(client, found)
    _corrected(client, found)
    client.refusal(client.post("/billing/exports"), 409)
    assert seen(client, found["id"])["charges"][0]["export"] == ""


def test_the_whole_episode_under_the_set_that_asks_nothing(client: RecordClient) -> None:
    episode = begun(client, client.new_patient(name=NAME), payer="Another Payer")
    found = seen(client, episode)
    assert (found["state"], found["rules"]["name"], found["checklist"]) == ("ready", "record-only", [])
    assert found["candidates"] == []
    assert "'Another Payer'" in found["rules"]["because"]
    wrong = {"version": found["version"], "lines": [LINE]}
    client.refusal(client.post(f"{BASE}/{episode}/confirmation", json=wrong), 422)
    made = client.post(f"{BASE}/{episode}/confirmation", json={"version": found["version"]}).json()
    assert (made["state"], made["charges"]) == ("confirmed", [])
    void = client.post(f"{BASE}/{episode}/void", json={"version": made["version"], "reason": "by mistake"}).json()
    assert void["state"] == "void"


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ({"system": HCPCS, "code": "X9999"}, "known-code"),
        ({**LINE, "units": 4}, "units"),
        ({**LINE, "units": 0}, "units"),
        ({"system": HCPCS, "code": "L3921"}, "reason-of-choice"),
    ],
)
def test_lines_that_cannot_be(client: RecordClient, line: dict[str, Any], rule: str) -> None:
    found = ready(client)
    refused = client.post(f"{BASE}/{found['id']}/confirmation", json={"version": found["version"], "lines": [line]})
    assert rule in client.refusal(refused, 422)["diagnostics"]
    assert seen(client, found["id"])["decisions"] == []


def test_a_code_that_does_not_fit_is_chosen_with_a_reason(client: RecordClient) -> None:
    made = confirmed(client, ready(client), {"system": HCPCS, "code": "L3921", "why": "It has a hinge."})
    assert made["charges"][0]["why"] == "It has a hinge."


def test_decisions_and_charges_go_through_no_other_door(client: RecordClient) -> None:
    made = confirmed(client, ready(client))
    for reference in (f"Task/{made['decisions'][0]['id']}", made["charges"][0]["reference"]):
        stored = client.get(f"/fhir/{reference}").json()
        kind = reference.partition("/")[0]
        plain = {name: value for name, value in stored.items() if name != "meta"}
        for body in ({**stored, "language": "en"}, {**plain, "language": "en"}):
            client.refusal(client.send_fhir("PUT", f"/fhir/{reference}", body), 409)
        client.refusal(client.delete(f"/fhir/{reference}"), 409)
        client.refusal(client.send_fhir("POST", f"/fhir/{kind}", stored), 409)
        entry = {"resource": stored, "request": {"method": "POST", "url": kind}}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        client.refusal(client.send_fhir("POST", "/fhir", bundle), 409)
        patch = json.dumps([{"op": "add", "path": "/language", "value": "en"}]).encode()
        headers = {"content-type": "application/json-patch+json"}
        client.refusal(client.request("PATCH", f"/fhir/{reference}", content=patch, headers=headers), 409)
        assert client.get(f"/fhir/{reference}").json() == stored


def test_one_inside_the_look_back_needs_its_exception(client: RecordClient) -> None:
    patient = client.new_patient(name=NAME, birthDate="1960-05-06")
    first = begun(client, patient)
    end = {"kind": "ended", "at": "2026-03-05", "reason": "goal-met"}
    assert client.post(f"/orthosis-episodes/{first}/events", json={"events": [end]}).status_code == 200
    events = [{"kind": "fitted", "at": "2026-04-02", "by": THERAPIST, "expertise": "hand therapist"}]
    second = begun(client, patient, payer="", decided="2026-04-01", events=events)
    lacks = [each for each in seen(client, second)["lacks"] if each.startswith("same-or-similar")]
    assert len(lacks) == 1
    assert f"ServiceRequest/{first}" in lacks[0]
    stated(client, second, "change-in-condition")
    found = seen(client, second)
    assert not [each for each in found["lacks"] if each.startswith("same-or-similar")]
    line = next(each for each in found["candidates"] if each["code"] == "L3913")
    assert [m["code"] for m in line["modifiers"]] == ["RT", "RA"]
    assert not [each for each in seen(client, first)["lacks"] if each.startswith("same-or-similar")]


def test_a_lost_one_is_its_own_exception(client: RecordClient) -> None:
    patient = client.new_patient(name=NAME)
    first = begun(client, patient)
    end = {"kind": "ended", "at": "2026-03-05", "reason": "lost"}
    assert client.post(f"/orthosis-episodes/{first}/events", json={"events": [end]}).status_code == 200
    second = begun(client, patient, payer="", decided="2026-04-01", events=[{"kind": "fitted", "at": "2026-04-02"}])
    assert not [each for each in seen(client, second)["lacks"] if each.startswith("same-or-similar")]


def test_what_was_supplied_elsewhere_or_never_was_is_not_in_the_worklist(client: RecordClient) -> None:
    patient = client.new_patient(name=NAME)
    begun(client, patient, events=[{"kind": "taken-over", "at": "2026-03-02"}])
    wrong = begun(client, patient, payer="", events=[])
    error = {"kind": "entered-in-error", "at": "2026-03-02", "note": "the other patient"}
    assert client.post(f"/orthosis-episodes/{wrong}/events", json={"events": [error]}).status_code == 200
    assert client.get(BASE, params={"patient": patient[8:]}).json()["episodes"] == []


def test_a_custom_one_given_up_is_dated_by_its_end(client: RecordClient) -> None:
    """Noridian article of 2020, as the rules cite it: the date of service is that of the cancellation."""
    made = {"kind": "made", "at": "2026-03-02"}
    end = {"kind": "ended", "at": "2026-03-08", "reason": "abandoned-before-fitting"}
    found = seen(client, begun(client, client.new_patient(name=NAME), events=[made, end]))
    assert found["date_of_service"] == "2026-03-08"
    prefabricated = {**DESIGN, "fabrication": "off-the-shelf"}
    other = begun(client, client.new_patient(name=NAME), events=[made, end], design=prefabricated)
    assert seen(client, other)["date_of_service"] is None


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("delivery", {"on": "2026-02-01"}, 422),
        ("delivery", {"on": "2999-02-01"}, 422),
        ("delivery", {"on": "2026-03-02", "quantity": 0}, 422),
        ("delivery", {"on": "yesterday"}, 400),
        ("statements", {"item": "hearsay", "on": "2026-03-02", "by": THERAPIST, "document": "x"}, 422),
        ("statements", {"item": "plan-of-care", "on": "2026-03-02", "by": {}, "document": "x"}, 422),
        ("statements", {"item": "plan-of-care", "on": "2026-03-02", "by": {"id": "nobody"}, "document": "x"}, 422),
        ("statements", {"item": "plan-of-care", "on": "2026-03-02", "by": THERAPIST, "document": " "}, 400),
        ("question", {"question": ""}, 400),
        ("keep", {"version": "x", "reason": "y"}, 409),
        ("void", {"version": "x", "reason": "y"}, 409),
        ("answer", {"answer": "y"}, 409),
    ],
)
def test_what_cannot_be_written_down(client: RecordClient, path: str, body: dict[str, Any], status: int) -> None:
    episode = begun(client, client.new_patient(name=NAME))
    before = seen(client, episode)
    client.refusal(client.post(f"{BASE}/{episode}/{path}", json=body), status)
    assert seen(client, episode) == before


def test_what_is_not_there(client: RecordClient) -> None:
    client.refusal(client.get(f"{BASE}/nothing"), 404)
    client.refusal(client.get(f"{BASE}?state=lost"), 422)
    client.refusal(client.get(f"{BASE}?colour=blue"), 400)
    assert client.get(f"{BASE}?since=2999-01-01").json()["episodes"] == []
