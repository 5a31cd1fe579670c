"""Invented patients and readings, the same for both servers."""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any
from urllib.parse import quote

from tests.bench.load import request

PATIENTS = 100
VISITS = 10
FIRST_VISIT = date(2025, 1, 7)
NARROW = range(2, 6)
"""The visits that the narrow search asks for."""
CODES = "http://clinic.example/codes"
ARCS = ("flexion", "extension-deficit", "hyperextension", "radial-abduction", "palmar-abduction")
MOTIONS = tuple(f"{arc}-{mode}" for arc in ARCS for mode in ("active", "passive"))


def visit_of(turn: int) -> int:
    """The visit at which a patient's reading number `turn` was taken: all visits, one motion after the other."""
    return turn % VISITS


def motion_of(turn: int) -> str:
    return MOTIONS[turn // VISITS % len(MOTIONS)]


def day_of(visit: int) -> date:
    return FIRST_VISIT + timedelta(days=7 * visit)


def patient(number: int) -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "id": f"bench-{number}",
        "identifier": [{"system": "http://clinic.example/patients", "value": f"B{number:05}"}],
        "name": [{"family": f"Invented{number}", "given": ["Person"]}],
        "gender": "unknown",
        "birthDate": "1970-01-01",
    }


def observation(number: int, dice: random.Random) -> dict[str, Any]:
    """One reading of a joint's motion, about 1.2 KB as JSON, that claims no profile."""
    turn = number // PATIENTS
    return {
        "resourceType": "Observation",
        "status": "final",
        "category": [_coded("http://terminology.hl7.org/CodeSystem/observation-category", "exam", "Exam")],
        "code": _coded(CODES, motion_of(turn), "Motion of a joint, invented for measuring"),
        "subject": {"reference": f"Patient/bench-{number % PATIENTS}"},
        "effectiveDateTime": f"{day_of(visit_of(turn))}T{dice.randint(8, 17):02}:{dice.randint(0, 59):02}:00+01:00",
        "performer": [{"display": "Invented therapist"}],
        "bodySite": _coded(CODES, "right-index-pip", "PIP joint of the right index finger"),
        "method": _coded(CODES, "goniometer-dorsal", "Goniometer, placed dorsally"),
        "valueQuantity": {
            "value": dice.randint(0, 220) / 2,
            "unit": "degree",
            "system": "http://unitsofmeasure.org",
            "code": "deg",
        },
        "component": [
            {"code": _coded(CODES, name, f"{name}, invented"), "valueCodeableConcept": _coded(CODES, value, value)}
            for name, value in (("joints-moved", "together"), ("time-of-day", "morning"))
        ],
    }


def _coded(system: str, code: str, display: str) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code, "display": display}]}


def bundle(resources: list[dict[str, Any]]) -> bytes:
    """A transaction that creates the resources; one with an id keeps it."""
    entries = []
    for resource in resources:
        kind = resource["resourceType"]
        ways = (
            {"method": "PUT", "url": f"{kind}/{resource['id']}"}
            if "id" in resource
            else {"method": "POST", "url": kind}
        )
        entries.append({"resource": resource, "request": ways})
    return json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries}).encode()


def bundles(count: int, dice: random.Random, size: int = 100) -> Iterator[bytes]:
    """Transactions of `size` new readings each."""
    numbers = itertools.count()
    for _ in range(count):
        yield bundle([observation(next(numbers), dice) for _ in range(size)])


def reads(references: list[str]) -> list[bytes]:
    return [request("GET", f"/fhir/{reference}") for reference in references]


def searches() -> list[bytes]:
    """All readings of a patient, a page of 50."""
    return [request("GET", f"/fhir/Observation?patient=Patient/bench-{n}&_count=50") for n in range(PATIENTS)]


def narrow_searches() -> list[bytes]:
    """The readings of one patient and one motion within four weeks."""
    code = quote(f"{CODES}|{MOTIONS[0]}")
    query = f"code={code}&date=ge{day_of(NARROW.start)}&date=lt{day_of(NARROW.stop)}"
    return [request("GET", f"/fhir/Observation?patient=Patient/bench-{n}&{query}") for n in range(PATIENTS)]


def in_narrow_search(per_patient: int) -> int:
    """How many of a patient's readings that search finds."""
    return sum(visit_of(turn) in NARROW and motion_of(turn) == MOTIONS[0] for turn in range(per_patient))


def creates(dice: random.Random, count: int = 500) -> list[bytes]:
    return [
        request("POST", "/fhir/Observation", json.dumps(observation(number, dice)).encode()) for number in range(count)
    ]


def transactions(dice: random.Random, count: int = 20) -> list[bytes]:
    return [request("POST", "/fhir", body) for body in bundles(count, dice)]
