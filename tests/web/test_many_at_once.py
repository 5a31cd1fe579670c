"""Many clients at once: none waits for ever, and what one of them is told holds for all."""

from __future__ import annotations

import asyncio
import json
import time
from collections import Counter
from typing import Any

import httpx

CLIENTS = 64


def together(client: Any, *requests: httpx.Request) -> list[httpx.Response]:
    """Send all at the same time, each over a connection of its own."""

    async def send_all() -> list[httpx.Response]:
        limits = httpx.Limits(max_connections=None, max_keepalive_connections=0)
        async with httpx.AsyncClient(limits=limits, timeout=60) as many:
            return list(await asyncio.gather(*(many.send(request) for request in requests)))

    return asyncio.run(send_all())


def post(client: Any, path: str, body: bytes, **headers: str) -> httpx.Request:
    return client.build_request(
        "POST", path, content=body, headers={"content-type": "application/fhir+json", **headers}
    )


def test_more_clients_than_threads_are_all_answered(client: Any) -> None:
    subject = client.new_patient()
    body = client.observation(subject)
    bundle = json.dumps({
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": client.patient(), "request": {"method": "POST", "url": "Patient"}} for _ in range(20)],
    }).encode()  # fmt: skip
    requests = []
    for _ in range(CLIENTS):
        requests += [
            post(client, "/fhir/Observation", body),
            client.build_request("GET", f"/fhir/Observation?subject={subject}"),
            client.build_request("GET", f"/fhir/{subject}"),
        ]
    requests += [post(client, "/fhir", bundle) for _ in range(CLIENTS // 4)]
    started = time.monotonic()
    answers = together(client, *requests)
    assert Counter(answer.status_code for answer in answers) == {201: CLIENTS, 200: 2 * CLIENTS + CLIENTS // 4}
    assert time.monotonic() - started < 45
    assert client.get(f"/fhir/Observation?subject={subject}&_summary=count").json()["total"] == CLIENTS


def test_one_condition_makes_one_resource_however_many_ask(client: Any) -> None:
    patient = client.patient()
    identifier = patient["identifier"][0]
    condition = {"if-none-exist": f"identifier={identifier['system']}|{identifier['value']}"}
    request = [post(client, "/fhir/Patient", json.dumps(patient).encode(), **condition) for _ in range(24)]
    answers = together(client, *request)
    assert Counter(answer.status_code for answer in answers) == {201: 1, 200: 23}
    assert len({answer.json()["id"] for answer in answers}) == 1


def test_of_several_changes_from_one_version_one_wins(client: Any) -> None:
    reference = client.new_patient()
    ident = reference.partition("/")[2]
    bodies = [json.dumps(client.patient(id=ident, name=[{"family": f"F{n}"}])).encode() for n in range(16)]
    headers = {"content-type": "application/fhir+json", "if-match": 'W/"1"'}
    requests = [client.build_request("PUT", f"/fhir/{reference}", content=body, headers=headers) for body in bodies]
    answers = together(client, *requests)
    assert Counter(answer.status_code for answer in answers) == {200: 1, 412: 15}
    assert client.get(f"/fhir/{reference}").json()["meta"]["versionId"] == "2"
