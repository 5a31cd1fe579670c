"""Pages turned while others write: what was there all along comes once, whatever comes, changes and goes meanwhile.

https://hl7.org/fhir/R4/http.html#paging leaves it to the server how stable a search is; this one promises it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from threading import Event, Thread
from typing import Any

import httpx
import pytest

KEPT, TOUCHED, GOING = 30, 12, 12
WRITERS = 3
NUMBERS = count(1)


def reading(subject: str, day: int, note: str = "") -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8302-2"}]},
        "subject": {"reference": subject},
        "effectiveDateTime": f"2026-03-{day % 28 + 1:02}T10:00:00Z",
        "note": [{"text": note or "as it came"}],
    }


def person(group: str, day: int, note: str = "") -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "identifier": [{"system": f"https://clinic.example/{group}", "value": str(next(NUMBERS))}],
        "name": [{"family": f"Example {day % 7}", "text": note or "as it came"}],
        "birthDate": f"1990-03-{day % 28 + 1:02}",
    }


@contextmanager
def written_to(client: Any, make: Any, touched: list[str], going: list[str]) -> Iterator[list[str]]:
    """While this is open, clients create, change what is touched, and delete what is going; it lists what they did."""
    done: list[str] = []
    stop, failed = Event(), list[str]()

    def write(part: int) -> None:
        mine, leaving = touched[part::WRITERS], going[part::WRITERS]
        with httpx.Client(base_url=client.base_url, timeout=60) as other:
            for number in count(part, WRITERS):
                if stop.is_set():
                    return
                place = mine[number % len(mine)]
                changed = other.get(f"/fhir/{place}").json()
                (changed["note"] if "note" in changed else changed["name"])[0]["text"] = f"changed {number}"
                kind = place.partition("/")[0]
                answers = [
                    other.post(f"/fhir/{kind}", content=json.dumps(make(number)), headers=FHIR),
                    other.put(f"/fhir/{place}", content=json.dumps(changed), headers=FHIR),
                    *([other.delete(f"/fhir/{leaving.pop()}")] if leaving else []),
                ]
                failed.extend(answer.text for answer in answers if answer.status_code not in (200, 201, 204))
                done.append(place)

    threads = [Thread(target=write, args=(part,)) for part in range(WRITERS)]
    for thread in threads:
        thread.start()
    try:
        yield done
    finally:
        stop.set()
        for thread in threads:
            thread.join(60)
    assert not failed, failed[:3]


FHIR = {"content-type": "application/fhir+json"}


def turned(client: Any, address: str, done: list[str]) -> tuple[list[str], int]:
    """What stands on all pages, and how many writes there were between the first and the last."""
    found: list[str] = []
    bundle = client.get(address).json()
    before = len(done)
    while True:
        found += [entry["fullUrl"].rpartition("/fhir/")[2] for entry in bundle.get("entry", ())]
        following = [link["url"] for link in bundle["link"] if link["relation"] == "next"]
        if not following:
            return found, len(done) - before
        bundle = client.get(following[0]).json()


@pytest.mark.parametrize(
    ("kind", "orders"),
    [
        ("Observation", ("", "date", "-date", "_id", "status,-date", "-_lastUpdated", "_lastUpdated")),
        ("Patient", ("", "family", "-family,birthdate", "-_id", "birthdate", "-_lastUpdated", "_lastUpdated")),
    ],
)
def test_pages_neither_skip_nor_repeat_while_others_write(client: Any, kind: str, orders: tuple[str, ...]) -> None:
    subject, group = client.new_patient(), f"group-{next(NUMBERS)}"

    def make(day: int) -> dict[str, Any]:
        return reading(subject, day) if kind == "Observation" else person(group, day)

    def stored(number: int) -> list[str]:
        answers = [client.send_fhir("POST", f"/fhir/{kind}", make(day)) for day in range(number)]
        return [f"{kind}/{answer.json()['id']}" for answer in answers]

    where = f"subject={subject}" if kind == "Observation" else f"identifier=https://clinic.example/{group}|"
    kept, touched, going = stored(KEPT), stored(TOUCHED), stored(GOING)
    wrote = 0
    with written_to(client, make, touched, going) as done:
        for order in orders:
            sort = f"&_sort={order}" if order else ""
            found, meanwhile = turned(client, f"/fhir/{kind}?{where}&_count=4{sort}", done)
            # Who is moved by a change may be passed; all others have kept their places.
            still = kept if "_lastUpdated" in order else kept + touched
            assert sorted(each for each in found if each in still) == sorted(still), order
            assert len(found) == len(set(found)) or "_lastUpdated" in order, order
            wrote += meanwhile
    assert wrote > len(orders), "nobody wrote while pages were turned"


def test_what_is_created_after_the_first_page_is_not_part_of_the_search(client: Any) -> None:
    subject = client.new_patient()
    made = [client.new_observation(subject) for _ in range(4)]
    first = client.get(f"/fhir/Observation?subject={subject}&_count=2&_sort=date").json()
    late = client.new_observation(subject, date="2027-01-01T10:00:00Z")
    (following,) = (link["url"] for link in first["link"] if link["relation"] == "next")
    found = [entry["resource"]["id"] for page in (first, client.get(following).json()) for entry in page["entry"]]
    assert sorted(f"Observation/{each}" for each in found) == sorted(made)
    assert late.rpartition("/")[2] not in found
