"""The profiles of the resources an orthosis episode consists of, and of hours worn."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir import orthosis_extensions as own
from service.fhir.extensions import WORN
from service.fhir.narrowing import CORE, bound, narrowed, person
from service.fhir.orthosis import names
from service.fhir.orthosis.wear import WEAR_PROFILE
from service.fhir.snapshot import Change, structure_definition
from service.fhir.text import Json

_KEY = {"short": "The identifier that all resources of the episode share", "min": 1}
_EVENT_EXTENSIONS = (
    own.EVENT_PLACE,
    own.RETRACTED,
    own.SET_ANGLE,
    own.REPLACED_BY,
    own.ANSWERS,
    own.COMPONENT,
    own.FINDING,
    own.RED_FLAG,
    own.EXERCISE,
    own.EXERCISE_SHARE,
)


def orthosis_profiles() -> list[Json]:
    """The StructureDefinition of each."""
    return [
        _made(names.PLAN_PROFILE, "Plan of an orthosis", "Why an orthosis was decided on, and when.", _plan()),
        _made(names.ORDER_PROFILE, "Order of an orthosis", "The order, with the design as it was decided.", _order()),
        _made(names.ORTHOSIS_PROFILE, "Orthosis", "The made orthosis, as it is now.", _orthosis()),
        _made(names.COMPONENT_PROFILE, "Component of an orthosis", "A part that comes off.", _component()),
        _made(names.WEARING_PROFILE, "Wearing of an orthosis", "One regimen: when it is to be worn.", _wearing()),
        _made(names.EVENT_PROFILE, "Event of an orthosis", "Something that happened to the orthosis.", _event()),
        _made(WEAR_PROFILE, "Hours worn", "Hours an orthosis was worn on one day, reported or sensed.", _wear()),
    ]


def _made(url: str, title: str, text: str, changes: Iterator[Change]) -> Json:
    base = names.PROFILES.get(url, "Observation")
    return structure_definition(url, title, text, base, [(base, {"short": title, "definition": text}), *changes])


def _plan() -> Iterator[Change]:
    yield from narrowed("ServiceRequest", own.GOAL, own.SERIES)
    yield "ServiceRequest.identifier", _KEY
    yield person("ServiceRequest.subject", "Who is to wear it")
    yield "ServiceRequest.authoredOn", {"short": "The day of the decision", "min": 1}


def _order() -> Iterator[Change]:
    yield "DeviceRequest.contained", {"short": "The design as decided, as a Device", "min": 1}
    yield "DeviceRequest.identifier", _KEY
    yield (
        "DeviceRequest.code[x]",
        {"short": "The contained design", "type": [{"code": "Reference", "targetProfile": [f"{CORE}/Device"]}]},
    )
    yield person("DeviceRequest.subject", "Who is to wear it")


def _orthosis() -> Iterator[Change]:
    yield "Device.identifier", _KEY
    yield "Device.property", {"short": "Where it is worn, what it holds, and how it acts"}


def _component() -> Iterator[Change]:
    yield "Device.identifier", _KEY
    yield "Device.deviceName", {"short": "Its name within the orthosis", "min": 1}
    yield "Device.parent", {"short": "The orthosis it belongs to", "min": 1}


def _wearing() -> Iterator[Change]:
    yield from narrowed("DeviceUseStatement", own.EVENT_PLACE, own.RETRACTED, own.WHERE, own.EXPERTISE)
    yield "DeviceUseStatement.identifier", _KEY
    yield person("DeviceUseStatement.subject", "Who wears it")
    yield "DeviceUseStatement.timing[x]", {"short": "As prescribed", "min": 1, "type": [{"code": "Timing"}]}
    yield "DeviceUseStatement.bodySite", bound("body-site", "Where it is worn")


def _event() -> Iterator[Change]:
    yield from narrowed("Procedure", *_EVENT_EXTENSIONS)
    yield "Procedure.identifier", _KEY
    yield "Procedure.code", {**bound("orthosis-event", "What happened"), "min": 1}
    yield person("Procedure.subject", "Who wears it")
    yield (
        "Procedure.performed[x]",
        {"short": "When, or the day alone", "min": 1, "type": [{"code": "dateTime"}]},
    )
    yield "Procedure.outcome", bound("orthosis-end", "Why the wearing ended")


def _wear() -> Iterator[Change]:
    yield from narrowed("Observation", own.UNCERTAINTY, required=(WORN,))
    yield "Observation.code", bound("orthosis-wear", "By what the hours are known")
    yield person("Observation.subject", "Who wears it")
    yield "Observation.effective[x]", {"short": "The day", "min": 1, "type": [{"code": "Period"}]}
    yield "Observation.value[x]", {"short": "Hours", "min": 1, "type": [{"code": "Quantity"}]}
