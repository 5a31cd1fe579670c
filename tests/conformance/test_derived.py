"""Results of metrics as Observations, before validators that this project did not write."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from service.domain.measurement import Circumstances, Entry
from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.domain.reading import read_entry
from service.fhir.derived import all_derived, provenance_of, retired
from service.fhir.text import Json

from .validators import asked_about, complaints

READ: tuple[tuple[str, str, str, str, dict[str, str]], ...] = (
    ("joint-motion", "index-mcp", "0-0-80", "deg", {"motion": "extension-flexion"}),
    ("joint-motion", "index-pip", "0-20-90", "deg", {"motion": "extension-flexion"}),
    ("joint-motion", "index-dip", "0-0-60", "deg", {"motion": "extension-flexion"}),
    ("touch-threshold", "index-tip", "3.61", "", {}),
    ("two-point-discrimination", "index-tip-radial", "6", "mm", {"touch": "static"}),
    ("muscle-strength", "abductor-pollicis-brevis", "4", "", {}),
    ("questionnaire-score", "person", "33.3", "{score}", {"questionnaire": "dash", "items_answered": "30"}),
)
MOVED = {"mode": "active", "orthosis_state": "free", "together": "together"}


def _results() -> dict[str, Json]:
    around = {
        "subject": "Patient/made-up",
        "taken": datetime(2026, 3, 2, 9, 30, tzinfo=UTC),
        "encounter": "Encounter/1",
    }
    readings = []
    for number, (kind, site, value, unit, fields) in enumerate(READ):
        side, convention = ("" if site == "person" else "right"), "neutral-zero" if kind == "joint-motion" else ""
        given = {**fields, **(MOVED if kind == "joint-motion" else {})}
        circumstances = Circumstances(**around, status="final", id=f"reading-{number}", version="2")  # type: ignore[arg-type]
        readings += read_entry(Entry(kind, side, site, value, unit, convention, given), circumstances).measurements
    grip = Entry("grip-strength", "right", "hand", "", "kgf", "", {}, ("20", "22", "21"))
    readings += read_entry(grip, Circumstances(**around, status="final", id="grip", version="1")).measurements  # type: ignore[arg-type]
    found = [r for m in METRICS.values() for r in m.compute(readings, (), Parameters())]
    made = {f"{each['code']['coding'][0]['code']}-{n}": each for n, each in enumerate(all_derived(found))}
    once = next(iter(made.values()))
    made["retired"] = retired(once, "The readings it was computed from no longer give this result.")
    made["provenance"] = provenance_of(["Observation/1"], datetime(2026, 3, 2, tzinfo=UTC), "A. Invented")
    return made


RESULTS = _results()


@pytest.mark.parametrize(
    ("resource", "validator"),
    [
        pytest.param(resource, validator, id=f"{name}-{validator}")
        for name, resource in RESULTS.items()
        for validator in asked_about(resource)
    ],
)
def test_no_validator_complains_of_a_result(resource: Json, validator: str) -> None:
    assert [str(complaint) for complaint in complaints(validator, resource)] == []


def test_there_are_results_of_every_form_to_judge() -> None:
    values = {
        next(k for k in r if k.startswith("value")) for r in RESULTS.values() if r["resourceType"] == "Observation"
    }
    assert values == {"valueQuantity", "valueCodeableConcept"}
    assert len(RESULTS) > 15


@pytest.mark.parametrize("fault", [{"status": None}, {"derivedFrom": [{"reference": 7}]}, {"code": None}])
def test_a_fault_planted_in_a_result_is_found(fault: dict[str, Any]) -> None:
    spoiled = {**next(iter(RESULTS.values())), **fault}
    spoiled = {name: value for name, value in spoiled.items() if value is not None}
    assert any(complaints(validator, spoiled) for validator in asked_about(spoiled))


def test_numbers_of_results_are_decimals() -> None:
    numbers = [r["valueQuantity"]["value"] for r in RESULTS.values() if "valueQuantity" in r]
    assert numbers
    assert all(isinstance(n, Decimal) for n in numbers)
