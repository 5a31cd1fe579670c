"""The readings in `examples/readings`, as `POST /visits` takes them: one of every kind but the first three.

`python -m tests.fhir.example_readings` writes the resource of each that has none yet; it is then read against R4's
Observation (https://hl7.org/fhir/R4/observation.html) before it is kept.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import msgspec

from service.domain.measurement import Circumstances, Entry, Measurement
from service.domain.reading import read_entry
from service.fhir.observation import to_observation
from service.fhir.text import Json, dump
from service.usecases.visit_input import visit_of

ROOT = Path(__file__).resolve().parents[2]
RESOURCES = ROOT / "examples" / "resources" / "good"
GIVEN: Mapping[str, Any] = {
    path.stem: json.loads(path.read_text()) for path in sorted((ROOT / "examples" / "readings").glob("*.json"))
}
VISIT = Circumstances(
    subject="Patient/example-patient",
    taken=datetime(2026, 3, 2, 9, 40, tzinfo=timezone(timedelta(hours=1))),
    performer="Practitioner/example-therapist",
    performer_name="M. Example (invented)",
    encounter="Encounter/example-visit",
    status="final",
    note="Invented example; no real person.",
)


def entry_of(kind: str, **changes: Any) -> Entry:
    """The example of a kind as an entry, with other answers; an answer of None is left out."""
    given = {name: answer for name, answer in {**GIVEN[kind], **changes}.items() if answer is not None}
    visit = {"patient": {"id": "1"}, "when": "2026-03-02T09:40+01:00", "by": {"name": "M. Example"}}
    return visit_of({**visit, "readings": [given]}, None).readings[0].entry


def example_of(kind: str, **changes: Any) -> Measurement:
    """The example of a kind as a measurement, with other answers."""
    (measurement,) = read_entry(entry_of(kind, **changes), replace(VISIT, id=f"example-{kind}")).measurements
    return measurement


def resources() -> dict[str, Json]:
    """The resource of each example, by kind."""
    return {kind: to_observation(example_of(kind)) for kind in GIVEN}


def main() -> None:
    for kind, resource in resources().items():
        path = RESOURCES / f"Observation-{kind}.json"
        if not path.exists():
            path.write_bytes(msgspec.json.format(dump(resource), indent=2) + b"\n")


if __name__ == "__main__":
    main()
