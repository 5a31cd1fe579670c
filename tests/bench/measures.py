"""What is measured: seeding, the loads, and that both servers give the same answers to them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

import httpx

from tests.bench import material
from tests.bench.load import Load, drive
from tests.bench.servers import Server

SEED = 20250107


@dataclass(frozen=True)
class Measure:
    """One kind of request; `target` is how many times the naive server's rate the record should reach."""

    name: str
    requests: Sequence[bytes]
    target: float | None
    entries: int | None = None


def seed(port: int, bundles: int) -> list[str]:
    """Stores the patients and `bundles` times 100 readings; gives the references of the readings."""
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
        patients = material.bundle([material.patient(number) for number in range(material.PATIENTS)])
        _post(client, patients)
        bodies = material.bundles(bundles, random.Random(SEED))
        return [reference for body in bodies for reference in _post(client, body)]


def _post(client: httpx.Client, body: bytes) -> list[str]:
    answer = client.post("/fhir", content=body, headers={"Content-Type": "application/fhir+json"})
    answer.raise_for_status()
    places = [entry["response"]["location"] for entry in answer.json()["entry"]]
    return ["/".join(place.split("/_history")[0].split("/")[-2:]) for place in places]


def measures(references: list[str], per_patient: int) -> list[Measure]:
    """The five loads of a server that holds `per_patient` readings of each patient; reads come before writes."""
    dice = random.Random(SEED)
    return [
        Measure("read by id", material.reads(references), 10),
        Measure("search patient, 50 a page", material.searches(), 30, min(50, per_patient)),
        Measure("search patient, code, date", material.narrow_searches(), 30, material.in_narrow_search(per_patient)),
        Measure("create one", material.creates(dice), None),
        Measure("transaction of 100", material.transactions(dice), 8),
    ]


def entries(port: int, measure: Measure) -> int:
    """How many entries the answer to the first request has."""
    path = measure.requests[0].split(b" ")[1].decode()
    answer = httpx.get(f"http://127.0.0.1:{port}{path}", timeout=60).raise_for_status()
    return len(answer.json().get("entry", []))


@dataclass(frozen=True)
class Taken:
    """A load, and the milliseconds of processor time that each of its answers took the server."""

    load: Load
    cpu: float


def run(server: Server, measure: Measure, *, clients: int, seconds: float, warm: float = 1.0) -> Taken:
    """Measures once the answer is known to be the right one."""
    if measure.entries is not None and (found := entries(server.port, measure)) != measure.entries:
        raise ValueError(f"{measure.name}: {found} entries where {measure.entries} are stored")
    before = server.busy
    load = drive(server.port, measure.requests, clients=clients, seconds=seconds, warm=warm)
    return Taken(load, (server.busy - before) * 1000 / load.answers)
