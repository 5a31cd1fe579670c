"""The profiles, code systems and extensions of an orthosis episode, and small readers and writers they share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.canonical import UCUM, code_system, profile
from service.fhir.observation import concept, when_of
from service.fhir.text import Json

PLAN_PROFILE = profile("orthosis-plan")
ORDER_PROFILE = profile("orthosis-order")
ORTHOSIS_PROFILE = profile("orthosis")
COMPONENT_PROFILE = profile("orthosis-component")
WEARING_PROFILE = profile("orthosis-wearing")
EVENT_PROFILE = profile("orthosis-event")
PROFILES: Mapping[str, str] = {
    PLAN_PROFILE: "ServiceRequest",
    ORDER_PROFILE: "DeviceRequest",
    ORTHOSIS_PROFILE: "Device",
    COMPONENT_PROFILE: "Device",
    WEARING_PROFILE: "DeviceUseStatement",
    EVENT_PROFILE: "Procedure",
}
"""The profiles of the resources an episode consists of, each with its type."""
TYPES = ("ServiceRequest", "DeviceRequest", "Device", "DeviceUseStatement", "Procedure")

PROPERTY_SYSTEM = code_system("orthosis-property")
REMOVABLE_SYSTEM = code_system("removable")
WEARING_SYSTEM = code_system("wearing")
FORM_SYSTEM = code_system("orthosis-form")
REGION_SYSTEM = code_system("orthosis-region")
PURPOSE_SYSTEM = code_system("orthosis-purpose")
MECHANISM_SYSTEM = code_system("orthosis-mechanism")
FABRICATION_SYSTEM = code_system("orthosis-fabrication")
DIRECTION_SYSTEM = code_system("joint-direction")
EVENT_SYSTEM = code_system("orthosis-event")
END_SYSTEM = code_system("orthosis-end")
FINDING_SYSTEM = code_system("orthosis-check")


def extension(name: str) -> str:
    """Address of one of our extensions on an episode's resources."""
    return profile(f"orthosis-{name}")


def claimed(resource: Mapping[str, Any]) -> str:
    """The profile of an episode that a resource claims, or the empty text."""
    given = (resource.get("meta") or {}).get("profile") or []
    return next((url for url in given if PROFILES.get(url) == resource.get("resourceType")), "")


def coded(system: str, code: str, words: Mapping[str, str]) -> Json:
    """A CodeableConcept of one of our codes."""
    return concept(system, Term(code, words[code]))


def person(reference: str, name: str) -> Json | None:
    """A Reference to whoever did it, or None where nobody was named."""
    told = {"reference": reference, "display": name}
    return {key: value for key, value in told.items() if value} or None


def number(value: Decimal, unit: str, code: str) -> Json:
    """A Quantity."""
    return {"value": value, "unit": unit, "system": UCUM, "code": code}


def simple(name: str, kind: str, value: object) -> list[Json]:
    """An extension with one value, or none for an empty one."""
    return [] if value is None or value in ("", 0) else [{"url": extension(name), f"value{kind}": value}]


def nested(name: str, parts: Iterable[tuple[str, str, object]]) -> Json:
    """An extension of named parts, those that are None or empty left out."""
    given = [(part, kind, value) for part, kind, value in parts if value not in (None, "")]
    return {"url": extension(name), "extension": [{"url": part, f"value{kind}": value} for part, kind, value in given]}


def values_of(resource: Mapping[str, Any], name: str) -> list[Any]:
    """The values of every extension of this name; a nested one as a dict of the values of its parts."""
    found = [e for e in resource.get("extension") or [] if e.get("url") == extension(name)]
    return [_value(e) if "extension" not in e else {p["url"]: _value(p) for p in e["extension"]} for e in found]


def value_of(resource: Mapping[str, Any], name: str, otherwise: Any = None) -> Any:
    """The value of the one extension of this name."""
    return next(iter(values_of(resource, name)), otherwise)


def _value(given: Mapping[str, Any]) -> Any:
    return next((value for key, value in given.items() if key.startswith("value")), None)


def moment_of(text: object, where: str) -> tuple[datetime, bool]:
    """A FHIR time as an instant with its offset, or a day; months and years are too coarse for events."""
    written = str(text or "")
    try:
        at, day_only = when_of(written)
    except ValueError:
        message = "An event of an orthosis needs its day, or its time with offset."
        raise Invalid(Issue("value", message, where, written, "time-of-event", "2026-03-02 or with time")) from None
    if at.tzinfo is None:
        message = "A time without offset is no instant."
        raise Invalid(Issue("value", message, where, written, "time-of-event", "an offset"))
    return at, day_only
