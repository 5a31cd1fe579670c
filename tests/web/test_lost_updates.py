"""Clients that change one resource at the same time, each from the version that it read: no change is lost.

https://hl7.org/fhir/R4/http.html#concurrency: a change from another version than the present one is refused with 412.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from threading import Thread
from typing import Any

import httpx
import pytest

CLIENTS, ROUNDS = 8, 6
FHIR = {"content-type": "application/fhir+json"}


def put(client: httpx.Client, place: str, mine: str, tag: str, read: dict[str, Any]) -> httpx.Response:
    """Add a name to what was read, by an update."""
    changed = {**read, "name": [*read.get("name", ()), {"text": mine}]}
    return client.put(f"/fhir/{place}", content=json.dumps(changed), headers={**FHIR, "if-match": tag})


def patch(client: httpx.Client, place: str, mine: str, tag: str, read: dict[str, Any]) -> httpx.Response:
    """The same by a JSON Patch."""
    content = json.dumps([{"op": "add", "path": "/name/-", "value": {"text": mine}}])
    headers = {"content-type": "application/json-patch+json", "if-match": tag}
    return client.patch(f"/fhir/{place}", content=content, headers=headers)


def transaction(client: httpx.Client, place: str, mine: str, tag: str, read: dict[str, Any]) -> httpx.Response:
    """The same in a transaction."""
    changed = {**read, "name": [*read.get("name", ()), {"text": mine}]}
    request = {"method": "PUT", "url": place, "ifMatch": tag}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": changed, "request": request}]}
    return client.post("/fhir", content=json.dumps(bundle), headers=FHIR)


def patch_unasked(client: httpx.Client, place: str, mine: str, tag: str, read: dict[str, Any]) -> httpx.Response:
    """A JSON Patch that names no version: each is made to what is there at that moment."""
    content = json.dumps([{"op": "add", "path": "/name/-", "value": {"text": mine}}])
    return client.patch(f"/fhir/{place}", content=content, headers={"content-type": "application/json-patch+json"})


Change = Callable[[httpx.Client, str, str, str, dict[str, Any]], httpx.Response]


@pytest.mark.parametrize("change", [put, patch, transaction, patch_unasked])
def test_no_update_is_lost(client: Any, change: Change) -> None:
    """As many versions as changes that were granted, and every one of them still there at the end."""
    place = client.new_patient(name=[{"text": "first"}])
    statuses: Counter[int] = Counter()
    granted: list[str] = []

    def take_part(number: int) -> None:
        with httpx.Client(base_url=client.base_url, timeout=60) as mine:
            for turn in range(ROUNDS):
                read = mine.get(f"/fhir/{place}")
                said = f"client {number}, turn {turn}"
                answer = change(mine, place, said, read.headers["etag"], read.json())
                statuses[answer.status_code] += 1
                if answer.status_code == 200:
                    granted.append(said)

    threads = [Thread(target=take_part, args=(number,)) for number in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(90)
    assert set(statuses) <= {200, 412}, statuses
    assert statuses.total() == CLIENTS * ROUNDS
    refused = change is not patch_unasked
    assert (statuses[412] > 0) is refused, "the clients never met" if refused else statuses
    last = client.get(f"/fhir/{place}")
    assert int(last.json()["meta"]["versionId"]) == 1 + len(granted)
    assert sorted(name["text"] for name in last.json()["name"]) == sorted(["first", *granted])
    history = client.get(f"/fhir/{place}/_history?_count=100").json()
    versions = [int(entry["resource"]["meta"]["versionId"]) for entry in history["entry"]]
    assert versions == list(range(1 + len(granted), 0, -1))
    added = [len(entry["resource"]["name"]) for entry in history["entry"]]
    assert added == versions, "each version has one name more than the one before"


def test_a_conditional_delete_keeps_to_the_version_it_names(client: Any) -> None:
    patient = client.patient()
    place = client.new_patient(identifier=patient["identifier"])
    condition = {"identifier": "{system}|{value}".format(**patient["identifier"][0])}
    client.refusal(client.delete("/fhir/Patient", params=condition, headers={"if-match": 'W/"9"'}), 412)
    assert client.get(f"/fhir/{place}").status_code == 200
    assert client.delete("/fhir/Patient", params=condition, headers={"if-match": 'W/"1"'}).status_code == 204
    client.refusal(client.get(f"/fhir/{place}"), 410)
    client.refusal(client.delete("/fhir/Patient", params=condition, headers={"if-match": 'W/"1"'}), 412)
    request = {"method": "DELETE", "url": f"Patient?identifier={condition['identifier']}", "ifMatch": 'W/"1"'}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [{"request": request}]}
    client.refusal(client.send_fhir("POST", "/fhir", bundle), 412)


def test_a_time_as_the_guard_of_a_change_is_refused_and_not_passed_over(client: Any) -> None:
    """RFC 9110 §13.1.4: a change is not made where it was guarded by a time and its guard does not hold."""
    place = client.new_patient()
    ident = place.partition("/")[2]
    guard = {"if-unmodified-since": "Wed, 01 Jan 2020 00:00:00 GMT"}
    body = json.dumps({"resourceType": "Patient", "id": ident, "active": True})
    content = json.dumps([{"op": "add", "path": "/active", "value": True}])
    answers = [
        client.put(f"/fhir/{place}", content=body, headers={**FHIR, **guard}),
        client.put("/fhir/Patient", params={"_id": ident}, content=body, headers={**FHIR, **guard}),
        client.patch(
            f"/fhir/{place}", content=content, headers={**guard, "content-type": "application/json-patch+json"}
        ),
        client.delete(f"/fhir/{place}", headers=guard),
        client.delete("/fhir/Patient", params={"_id": ident}, headers=guard),
    ]
    for answer in answers:
        assert "If-Match" in client.refusal(answer, 400)["diagnostics"]
    assert client.get(f"/fhir/{place}").headers["etag"] == 'W/"1"'
    both = {**FHIR, **guard, "if-match": 'W/"1"'}
    assert client.put(f"/fhir/{place}", content=body, headers=both).status_code == 200
