"""An instrument as Device, its calibrations as one DeviceMetric, and back."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

from service.domain.instrument import (
    TYPES,
    Calibration,
    Instrument,
    Point,
    require_lawful_calibration,
    require_lawful_instrument,
)
from service.domain.measurement import Quantity
from service.errors import Invalid, Issue
from service.fhir.canonical import code_system, profile
from service.fhir.observation import concept, quantity
from service.fhir.reading import code_in
from service.fhir.text import Json

INSTRUMENT_PROFILE, CALIBRATION_PROFILE = profile("instrument"), profile("calibration")
TYPE_SYSTEM = code_system("instrument-type")
POINT, BY = profile("calibration-point"), profile("calibrated-by")


def to_device(instrument: Instrument) -> Json:
    """The Device that states an instrument. It belongs to no patient."""
    return {
        "resourceType": "Device",
        "meta": {"profile": [INSTRUMENT_PROFILE]},
        "identifier": [{"system": instrument.key[0], "value": instrument.key[1]}],
        "status": "active",
        **({"serialNumber": instrument.serial} if instrument.serial else {}),
        "deviceName": [{"name": instrument.name, "type": "user-friendly-name"}],
        "type": concept(TYPE_SYSTEM, TYPES[instrument.type]),
    }


def from_device(resource: Json) -> Instrument:
    """The instrument a Device of our profile states. Raises `Invalid` for an unlawful one."""
    identifier = (resource.get("identifier") or [{}])[0]
    made = Instrument(
        name=str((resource.get("deviceName") or [{}])[0].get("name", "")),
        type=code_in(resource.get("type"), TYPE_SYSTEM),
        key=(str(identifier.get("system", "")), str(identifier.get("value", ""))),
        serial=str(resource.get("serialNumber", "")),
        id=str(resource.get("id", "")),
    )
    require_lawful_instrument(made)
    return made


def to_metric(device: str, calibrations: tuple[Calibration, ...]) -> Json:
    """The DeviceMetric that holds the calibrations of an instrument (a reference), oldest first."""
    return {
        "resourceType": "DeviceMetric",
        "meta": {"profile": [CALIBRATION_PROFILE]},
        "type": {"text": "Calibration"},
        "source": {"reference": device},
        "category": "measurement",
        "calibration": [_calibration(each) for each in calibrations],
    }


def _calibration(calibration: Calibration) -> Json:
    points = [
        {
            "url": POINT,
            "extension": [
                {"url": "applied", "valueQuantity": quantity(point.applied)},
                {"url": "shown", "valueQuantity": quantity(point.shown)},
            ],
        }
        for point in calibration.points
    ]
    return {
        "extension": [{"url": BY, "valueString": calibration.by}, *points],
        "type": "unspecified",
        "state": calibration.outcome,
        "time": calibration.at.isoformat(),
    }


def from_metric(resource: Json) -> tuple[Calibration, ...]:
    """The calibrations a DeviceMetric of our profile holds. Raises `Invalid` for unlawful ones."""
    made = tuple(_of(each) for each in resource.get("calibration") or [])
    for calibration in made:
        require_lawful_calibration(calibration)
    return made


def _of(given: Json) -> Calibration:
    extensions = given.get("extension") or []
    points = [{e.get("url"): e for e in each.get("extension") or []} for each in extensions if each.get("url") == POINT]
    if not given.get("time"):
        message = "A calibration needs its time."
        raise Invalid(Issue("required", message, "calibration.time", "", "calibration-time", "a time with its offset"))
    return Calibration(
        at=datetime.fromisoformat(str(given["time"])),
        outcome=str(given.get("state", "")),
        by=next((str(e.get("valueString", "")) for e in extensions if e.get("url") == BY), ""),
        points=tuple(Point(_amount(p.get("applied")), _amount(p.get("shown"))) for p in points),
    )


def _amount(extension: dict[str, Any] | None) -> Quantity:
    given = (extension or {}).get("valueQuantity") or {}
    number = given.get("value")
    if not isinstance(number, (Decimal, int)):
        message = "A point of a calibration is two amounts, one applied and one shown."
        raise Invalid(Issue("required", message, "calibration.extension", "", "calibration-point", "two quantities"))
    return Quantity(Decimal(number), str(given.get("code", "")))
