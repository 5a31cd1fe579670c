"""An orthosis episode as Device (the made object) and DeviceUseStatement (the wearing), and back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from service.domain.anatomy import PARTS, SIDES, Site
from service.domain.measurement import Quantity
from service.domain.orthosis import REMOVABLE, WEARING, OrthosisEpisode
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.canonical import code_system, profile
from service.fhir.observation import SITE_SYSTEM, concept, quantity
from service.fhir.reading import code_in
from service.fhir.text import Json

ORTHOSIS_PROFILE = profile("orthosis")
WEARING_PROFILE = profile("orthosis-wearing")
PROPERTY_SYSTEM = code_system("orthosis-property")
REMOVABLE_SYSTEM = code_system("removable")
WEARING_SYSTEM = code_system("wearing")
PROPERTIES = {"joint-held": "A joint held, with its set angle where recorded", "removable": "Who can take it off"}


def to_device(episode: OrthosisEpisode) -> Json:
    """The Device: this made object, with the joints it holds and their angles as properties."""
    held = [_held(Site(episode.side, part), angle) for part, angle in episode.holds.items()]
    removable = concept(REMOVABLE_SYSTEM, Term(episode.removable, REMOVABLE[episode.removable]))
    return {
        "resourceType": "Device",
        "meta": {"profile": [ORTHOSIS_PROFILE]},
        "identifier": [_identifier(episode)],
        "status": "active" if episode.until is None else "inactive",
        "deviceName": [{"name": episode.name, "type": "user-friendly-name"}],
        "type": {"text": episode.name},
        "property": [*held, {"type": _property("removable"), "valueCode": [removable]}],
        "patient": {"reference": episode.patient},
        **({"note": [{"text": f"Material: {episode.material}"}]} if episode.material else {}),
    }


def _held(site: Site, angle: Decimal | None) -> Json:
    angles = [] if angle is None else [quantity(Quantity(angle, "deg"))]
    stated = {"valueQuantity": angles} if angles else {}
    return {"type": _property("joint-held"), **stated, "valueCode": [concept(SITE_SYSTEM, site.term)]}


def _property(code: str) -> Json:
    return concept(PROPERTY_SYSTEM, Term(code, PROPERTIES[code]))


def _identifier(episode: OrthosisEpisode) -> Json:
    return {"system": episode.key[0], "value": episode.key[1]}


def to_device_use(episode: OrthosisEpisode, device: str) -> Json:
    """The DeviceUseStatement: the regimen under which the object is worn, prescribed."""
    period = {"start": episode.since.isoformat()}
    if episode.until:
        period["end"] = episode.until.isoformat()
    repeat: Json = {"boundsPeriod": period}
    if episode.wearing == "hours-a-day" and episode.hours is not None:
        repeat |= {"duration": episode.hours, "durationUnit": "h", "frequency": 1, "period": 1, "periodUnit": "d"}
    wearing = concept(WEARING_SYSTEM, Term(episode.wearing, WEARING[episode.wearing]))
    return {
        "resourceType": "DeviceUseStatement",
        "meta": {"profile": [WEARING_PROFILE]},
        "identifier": [_identifier(episode)],
        "status": "active" if episode.until is None else "completed",
        "subject": {"reference": episode.patient},
        "timingTiming": {"repeat": repeat, "code": wearing},
        "device": {"reference": device},
        "bodySite": concept(SITE_SYSTEM, Site(episode.side, "hand").term),
    }


def from_resources(use: Json, device: Json) -> OrthosisEpisode:
    """The episode that a DeviceUseStatement and its Device state together."""
    repeat = use["timingTiming"]["repeat"]
    period = repeat["boundsPeriod"]
    identifier = use["identifier"][0]
    hours = repeat.get("duration")
    properties = device.get("property") or []
    removable = next(
        (code_in(p["valueCode"][0], REMOVABLE_SYSTEM) for p in properties if _is(p, "removable")), "unknown"
    )
    note = str((device.get("note") or [{}])[0].get("text", ""))
    return OrthosisEpisode(
        patient=str(use["subject"]["reference"]),
        key=(str(identifier["system"]), str(identifier["value"])),
        name=str(device["deviceName"][0]["name"]),
        side=SIDES[0] if code_in(use["bodySite"], SITE_SYSTEM).startswith("left") else SIDES[1],
        holds=dict(_holding(p) for p in properties if _is(p, "joint-held")),
        wearing=code_in(use["timingTiming"].get("code"), WEARING_SYSTEM),
        hours=Decimal(hours) if hours is not None else None,
        removable=removable,
        material=note.removeprefix("Material: "),
        since=date.fromisoformat(period["start"]),
        until=date.fromisoformat(period["end"]) if "end" in period else None,
    )


def _is(given: Mapping[str, Any], code: str) -> bool:
    return code_in(given.get("type"), PROPERTY_SYSTEM) == code


def _holding(given: Mapping[str, Any]) -> tuple[str, Decimal | None]:
    code = code_in(given["valueCode"][0], SITE_SYSTEM)
    _, _, part = code.partition("-")
    if part not in PARTS:
        raise Invalid(Issue("value", "The joint held is not one of ours.", "Device.property", code, "joint-held"))
    angles = given.get("valueQuantity") or []
    return part, Decimal(angles[0]["value"]) if angles else None
