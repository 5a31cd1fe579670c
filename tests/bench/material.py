"""Invented patients and readings, the same for both servers: the example of a joint's motion, varied."""

from __future__ import annotations

import copy
import itertools
import json
import random
from collections.abc import Iterator
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tests.bench.load import request

EXAMPLE = Path(__file__).resolve().parents[2] / "examples/resources/good/Observation-joint-motion-flexion.json"
PATIENTS = 100
VISITS = 10
FIRST_VISIT = date(2025, 1, 7)
NARROW = range(2, 6)
"""The visits that the narrow search asks for."""
MOTIONS = tuple(
    (f"{arc}-{mode}-free", f"{name}, {mode}, free")
    for mode in ("active", "passive", "assisted")
    for arc, name in (("flexion", "Flexion"), ("extension-deficit", "Extension deficit"))
)
SITES = tuple(
    (f"right-{digit}-pip", f"right PIP joint of the {digit} finger") for digit in ("index", "middle", "ring", "little")
)


def visit_of(turn: int) -> int:
    """The visit at which a patient's reading number `turn` was taken: all visits, one motion after the other."""
    return turn % VISITS


def motion_of(turn: int) -> tuple[str, str]:
    return MOTIONS[turn // VISITS % len(MOTIONS)]


def site_of(turn: int) -> tuple[str, str]:
    return SITES[turn // VISITS // len(MOTIONS) % len(SITES)]


def day_of(visit: int) -> date:
    return FIRST_VISIT + timedelta(days=7 * visit)


def patient(number: int) -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "id": f"bench-{number}",
        "identifier": [{"system": "https://clinic.example/patients", "value": f"B{number:05}"}],
        "name": [{"family": f"Invented{number}", "given": ["Person"]}],
        "gender": "unknown",
        "birthDate": "1970-01-01",
    }


@cache
def example() -> dict[str, Any]:
    """The example without what ties it to other examples."""
    found: dict[str, Any] = json.loads(EXAMPLE.read_text())
    del found["id"], found["encounter"], found["performer"][0]["reference"]
    return found


def observation(number: int, dice: random.Random) -> dict[str, Any]:
    """A reading of joint motion, about 3 KB as JSON, that claims the record's profile."""
    turn = number // PATIENTS
    made = copy.deepcopy(example())
    code, site = made["code"]["coding"][0], made["bodySite"]["coding"][0]
    code["code"], code["display"] = motion_of(turn)
    site["code"], site["display"] = site_of(turn)
    made["code"]["text"], made["bodySite"]["text"] = code["display"], site["display"]
    made["subject"]["reference"] = f"Patient/bench-{number % PATIENTS}"
    made["effectiveDateTime"] = f"{day_of(visit_of(turn))}T{dice.randint(8, 17):02}:{dice.randint(0, 59):02}:00+01:00"
    made["valueQuantity"]["value"] = dice.randint(60, 80) if code["code"].startswith("flexion") else dice.randint(5, 25)
    return made


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
    code = quote(f"{example()['code']['coding'][0]['system']}|{MOTIONS[0][0]}")
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
