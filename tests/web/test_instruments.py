"""Instruments and their calibrations over HTTP."""

from __future__ import annotations

import json
from itertools import count
from typing import Any

import pytest

from service.web.instruments import CALIBRATION, INSTRUMENT

NUMBERS = count(1)


def post(client: Any, path: str, said: Any) -> Any:
    return client.post(path, content=json.dumps(said), headers={"content-type": "application/json"})


@pytest.fixture
def said() -> dict[str, Any]:
    return {**INSTRUMENT, "value": f"D-{next(NUMBERS)}"}


@pytest.fixture
def device(client: Any, said: dict[str, Any]) -> str:
    answer = post(client, "/instruments", said)
    assert answer.status_code == 201, answer.text
    return str(answer.json()["reference"]).removeprefix("Device/")


def shown(client: Any, device: str) -> Any:
    every = client.get("/instruments").json()["instruments"]
    return next(each for each in every if each["instrument"]["id"] == device)


def test_an_instrument_is_written_down_once(client: Any, said: dict[str, Any], device: str) -> None:
    assert post(client, "/instruments", said).json()["reference"] == f"Device/{device}"
    assert shown(client, device)["instrument"]["name"] == said["name"]
    assert shown(client, device)["calibrations"] == []
    other = post(client, "/instruments", {**said, "name": "dynamometer C"})
    assert other.status_code == 409


def test_a_calibration_tells_by_how_much_it_was_off(client: Any, device: str) -> None:
    """20.5 shown for 20 applied is off by 0.5 in 20: 2.5 percent."""
    path = f"/instruments/{device}/calibrations"
    first, again = post(client, path, CALIBRATION), post(client, path, CALIBRATION)
    assert (first.status_code, again.status_code) == (201, 201), first.text
    assert first.json() == again.json()
    points = [{"applied": {"value": 100, "unit": "N"}, "shown": {"value": 9.0, "unit": "kgf"}}]
    when = "2025-02-01T08:00:00+01:00"
    earlier = {**CALIBRATION, "at": when, "outcome": "calibration-required", "points": points}
    assert post(client, path, earlier).json()["version"] == 2
    found = shown(client, device)
    assert [each["outcome"] for each in found["calibrations"]] == ["calibration-required", "calibrated"]
    assert found["largest_percent"] == [11.7, 2.5]
    metric = client.get(f"/fhir/{first.json()['reference']}").json()
    assert metric["source"]["reference"] == f"Device/{device}"


BAD: dict[str, tuple[dict[str, Any], int]] = {
    "mass for force": (
        {"points": [{"applied": {"value": 20, "unit": "kg"}, "shown": {"value": 20, "unit": "kgf"}}]},
        422,
    ),
    "a unit that is none": (
        {"points": [{"applied": {"value": 20, "unit": "stone"}, "shown": {"value": 20, "unit": "kgf"}}]},
        422,
    ),
    "nothing applied": (
        {"points": [{"applied": {"value": 0, "unit": "kgf"}, "shown": {"value": 0, "unit": "kgf"}}]},
        422,
    ),
    "a day alone": ({"at": "2026-02-01"}, 422),
    "no such outcome": ({"outcome": "good"}, 400),
    "nobody": ({"by": ""}, 400),
}


@pytest.mark.parametrize("case", BAD)
def test_a_calibration_that_cannot_be_is_refused(client: Any, device: str, case: str) -> None:
    changes, status = BAD[case]
    client.refusal(post(client, f"/instruments/{device}/calibrations", {**CALIBRATION, **changes}), status)
    assert shown(client, device)["calibrations"] == []


def test_only_an_instrument_is_calibrated(client: Any, said: dict[str, Any]) -> None:
    client.refusal(post(client, "/instruments", {**said, "type": "kettle"}), 422)
    assert post(client, "/instruments/nothing/calibrations", CALIBRATION).status_code == 404
    made = client.send_fhir("POST", "/fhir/Device", {"resourceType": "Device", "status": "active"}).json()
    client.refusal(post(client, f"/instruments/{made['id']}/calibrations", CALIBRATION), 422)
