"""What belongs to a course, as resources: the examples of its profiles in `examples/resources/good`.

`python -m tests.fhir.example_courses` writes the resource of each that has none yet; it is then read against R4's page
of its type (https://hl7.org/fhir/R4/resourcelist.html) before it is kept.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta, timezone
from decimal import Decimal

import msgspec

from service.domain.anatomy import PartState, site
from service.domain.course import Course, Injury, Operation, Referral
from service.domain.goals import Goal
from service.domain.instrument import Calibration, Instrument, Point
from service.domain.measurement import Quantity
from service.domain.picture import Picture
from service.domain.precautions import Precaution
from service.fhir.course import to_condition, to_episode_of_care
from service.fhir.events import to_injury, to_operation, to_referral
from service.fhir.instrument import to_device, to_metric
from service.fhir.media import to_media
from service.fhir.plans import to_flag, to_goal
from service.fhir.text import Json, dump

from .example_readings import ROOT

FOLDER = ROOT / "examples" / "resources" / "good"
PATIENT = "Patient/example-patient"
SURGEON = "Dr Example (invented)"
KGF = Quantity(Decimal(20), "kgf")
STATED: dict[str, Json] = {
    "EpisodeOfCare-course": to_episode_of_care(
        Course(PATIENT, date(2026, 2, 1), ("right",), "left", "right", "repair of flexor tendons")
    ),
    "Condition-part-state": to_condition(
        PartState(site("right", "index-dip"), "fused", date(2020, 1, 1), angle=Decimal(10)), PATIENT
    ),
    "Condition-injury": to_injury(
        Injury("laceration of both flexor tendons", "right", date(2026, 2, 1), "glass", ("ring",), "flexor-2"), PATIENT
    ),
    "Procedure-operation": to_operation(
        Operation("tendon repair", "right", date(2026, 2, 3), ("FDP", "FDS"), ("ring",), SURGEON), PATIENT
    ),
    "ServiceRequest-referral": to_referral(
        Referral(date(2026, 2, 4), SURGEON, {"zone": "2"}, ("injury-date",)), PATIENT
    ),
    "Flag-precaution": to_flag(
        Precaution(
            "no gripping against resistance",
            SURGEON,
            date(2026, 2, 3),
            (site("right", "ring"),),
            date(2026, 4, 28),
            ("grip-strength",),
        ),
        PATIENT,
    ),
    "Goal-goal": to_goal(
        Goal("make a fist", "patient", "flexion-active-free", site("right", "ring-pip"), Quantity(Decimal(90), "deg")),
        PATIENT,
    ),
    "Goal-goal-on-a-metric": to_goal(
        Goal(
            "two thirds of a whole arc of the wrist",
            "clinician",
            "",
            site("right", "wrist"),
            Quantity(Decimal(100), "deg"),
            due=date(2026, 4, 27),
            metric="limb-arc",
            conditions={"arc": "flexion-extension", "mode": "active"},
        ),
        PATIENT,
    ),
    "Media-picture": to_media(
        Picture(
            "photo",
            site("right", "hand"),
            "palmar",
            date(2026, 3, 2),
            "https://pictures.clinic.example/12/1",
            "image/jpeg",
            ("treatment",),
        ),
        PATIENT,
    ),
    "Device-instrument": to_device(
        Instrument("dynamometer B", "dynamometer", ("https://clinic.example/instrument", "D-2"), "0042")
    ),
    "DeviceMetric-calibration": to_metric(
        "Device/example-instrument",
        (
            Calibration(
                datetime(2026, 2, 1, 8, tzinfo=timezone(timedelta(hours=1))),
                "calibrated",
                "M. Example (invented)",
                (Point(KGF, Quantity(Decimal("20.5"), "kgf")),),
            ),
        ),
    ),
}


def main() -> None:
    for name, resource in STATED.items():
        path = FOLDER / f"{name}.json"
        if not path.exists():
            path.write_bytes(msgspec.json.format(dump(resource), indent=2) + b"\n")


if __name__ == "__main__":
    main()
