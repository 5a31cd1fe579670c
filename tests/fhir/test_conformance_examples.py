"""The example resources in `examples/resources/good` are what the readings stated here become: one of every profile.

Each file was read against R4's Observation (https://hl7.org/fhir/R4/observation.html) before it was kept.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from service.domain.measurement import Caution, Circumstances, Entry
from service.domain.reading import check, read_entry
from service.fhir import conformance
from service.fhir.observation import ORTHOSIS_WORN, to_observation, to_panel
from service.fhir.orthosis.wear import WEAR_PROFILE
from service.fhir.reading_check import check_profiles
from service.fhir.text import Json, dump, parse

from .example_readings import VISIT, resources
from .measurements import as_written

FOLDER = Path(__file__).resolve().parents[2] / "examples" / "resources" / "good"
ARC = Entry(
    kind="joint-motion",
    side="right",
    site="index-pip",
    value="0-25-85",
    unit="deg",
    convention="neutral-zero",
    fields={
        "motion": "extension-flexion",
        "mode": "active",
        "orthosis_state": "free",
        "together": "together",
        "method": "goniometer-dorsal",
        "treatment": "before",
        "instrument": "finger goniometer A",
    },
)
SPLINTED = Entry(
    kind="joint-motion",
    side="right",
    site="index-pip",
    value="20",
    unit="deg",
    convention="named",
    fields={
        "motion": "extension-deficit",
        "mode": "passive",
        "orthosis_state": "in-orthosis",
        "together": "alone",
        "method": "goniometer-lateral",
    },
)
GRIP = Entry(
    kind="grip-strength",
    side="left",
    site="hand",
    unit="kgf",
    trials=("31.0", "stopped-for-pain", "32.5"),
    fields={
        "orthosis_state": "free",
        "handle_position": "2",
        "posture": "seated-elbow-90",
        "method": "hydraulic-dynamometer",
        "summary_rule": "mean-of-trials",
        "treatment": "before",
        "instrument": "dynamometer B",
    },
)
TOUCH = Entry(
    kind="touch-threshold",
    side="right",
    site="index-tip",
    value="4.31",
    fields={"monofilament_set": "full-20", "responses": "one-of-three"},
)
UNUSUAL = replace(ARC, value="125", convention="named", fields={**ARC.fields, "motion": "flexion"})


def named(name: str) -> Circumstances:
    return replace(VISIT, id=f"example-{name}")


def arc() -> dict[str, Json]:
    """The two ends of one arc, in the order of entry, and the whole."""
    reading = read_entry(ARC, VISIT)
    names = [f"joint-motion-{measurement.axes['motion']}" for measurement in reading.measurements]
    made = {
        name: to_observation(replace(measurement, circumstances=named(name)))
        for name, measurement in zip(names, reading.measurements, strict=True)
    }
    members = [f"Observation/example-{name}" for name in names]
    return {**made, "arc-panel": to_panel(reading, named("arc-panel"), members)}


def single(name: str, entry: Entry, around: Circumstances = VISIT) -> dict[str, Json]:
    (measurement,) = read_entry(entry, replace(around, id=f"example-{name}")).measurements
    cautions = [
        Caution(finding.issue.rule, "Measured twice; lax joints on both sides.") for finding in check(measurement)
    ]
    return {name: to_observation(measurement.with_cautions(cautions))}


def examples() -> dict[str, Json]:
    wearing = replace(VISIT, device_use="DeviceUseStatement/example-wearing")
    day = replace(VISIT, taken=datetime(2026, 3, 2, tzinfo=UTC), day_only=True, performer="", encounter="")
    return {
        **arc(),
        **single("joint-motion-in-orthosis", SPLINTED, wearing),
        **single("joint-motion-confirmed", UNUSUAL),
        **single("grip-strength", GRIP),
        **single("touch-threshold", TOUCH, day),
        **resources(),
    }


MADE = {f"Observation-{name}.json": resource for name, resource in examples().items()}


def text(resource: Json) -> bytes:
    return msgspec.json.format(dump(resource), indent=2) + b"\n"


@pytest.mark.parametrize("name", MADE)
def test_the_example_is_what_its_reading_becomes(name: str) -> None:
    assert as_written(parse((FOLDER / name).read_bytes())) == as_written(MADE[name])


def test_there_are_no_other_examples_of_readings() -> None:
    of_readings = {path.name for path in FOLDER.glob("Observation-*.json")} - {"Observation-orthosis-wear.json"}
    assert of_readings == set(MADE)


@pytest.mark.parametrize("name", MADE)
def test_the_example_keeps_its_profile(name: str) -> None:
    assert check_profiles(MADE[name]) == []


def test_every_profile_has_an_example() -> None:
    """A kind by its claim, the extension by its use. Hours worn are no reading: they belong to an orthosis."""
    used = {url for resource in MADE.values() for url in resource["meta"]["profile"]}
    used |= {e["url"] for resource in MADE.values() for e in resource.get("extension", ())}
    made = conformance.resources()
    profiles = {each["url"]: each for each in made.values() if each["resourceType"] == "StructureDefinition"}
    of_readings = {url for url, each in profiles.items() if each["type"] == "Observation"} - {WEAR_PROFILE}
    assert used == of_readings | {ORTHOSIS_WORN}
