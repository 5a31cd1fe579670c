"""What a code says, and what other code systems say of it: CodeSystem/$lookup and ConceptMap/$translate."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.errors import Issue, NotFound
from service.fhir import conformance
from service.fhir.expansion import codings_of
from service.fhir.given import Call
from service.fhir.published import VERSION
from service.fhir.terminology import hyphened, systems
from service.fhir.text import Json

_TURNED = {"wider": "narrower", "narrower": "wider"}
"""What an equivalence is seen from the other side; all others are the same from both."""


def lookup(call: Call) -> Json:
    """CodeSystem/$lookup. Raises `NotFound` for a system or code that is not known here."""
    coding = codings_of(call)[0]
    address, code = str(coding.get("system", "")), str(coding["code"])
    system = systems().get(address)
    if system is None:
        raise NotFound(Issue("not-found", "This code system is not published here.", "system", address, "code-system"))
    version = call.one("version") or coding.get("version")
    if version not in (None, VERSION):
        message = f"The code system is known here in the version {VERSION} only."
        raise NotFound(Issue("not-found", message, "version", str(version), "code-system", VERSION))
    term = next((each for each in system.terms if each.code == code), None)
    if term is None:
        raise NotFound(Issue("not-found", f"There is no code '{code}' in {address}.", "code", code, "code-system"))
    facts = {"definition": term.definition} if term.definition else {}
    facts |= {hyphened(name): value for name, value in term.properties.items()}
    wanted = call.all("property")
    listed = [
        {"name": "property", "part": [{"name": "code", "valueCode": name}, {"name": "value", "valueString": value}]}
        for name, value in facts.items()
        if not wanted or name in wanted
    ]
    head = [
        {"name": "name", "valueString": system.title},
        {"name": "version", "valueString": VERSION},
        {"name": "display", "valueString": term.display},
    ]
    return {"resourceType": "Parameters", "parameter": [*head, *listed]}


def translate(call: Call) -> Json:
    """ConceptMap/$translate. Raises `NotFound` for a map that is not known here."""
    codings, maps = codings_of(call), _maps(call)
    turned, target = bool(call.one("reverse")), call.one("targetsystem")
    matches = [
        _match(equivalence, other, concept_map)
        for concept_map in maps
        for coding in codings
        for equivalence, other in _said(concept_map, coding, turned=turned)
        if target in (None, other["system"])
    ]
    said: list[Json] = [{"name": "result", "valueBoolean": bool(matches)}]
    if not matches:
        said.append({"name": "message", "valueString": "No map published here has a code for it."})
    return {"resourceType": "Parameters", "parameter": [*said, *matches]}


def _maps(call: Call) -> list[Json]:
    url, version = str(call.one("url") or ""), call.one("conceptMapVersion")
    named = call.id or url
    if named:
        maps = [conformance.find("ConceptMap", named)]
    else:
        maps = [each for each in conformance.resources().values() if each["resourceType"] == "ConceptMap"]
    if version and any(each["version"] != version for each in maps):
        message = f"The maps are known here in the version {VERSION} only."
        raise NotFound(Issue("not-found", message, "conceptMapVersion", version, expected=VERSION))
    source = call.one("source")
    return [each for each in maps if source in (None, each["sourceCanonical"])]


def _said(concept_map: Json, coding: Json, *, turned: bool) -> Iterator[tuple[str, Json]]:
    """How far, and with which code, a map answers a code."""
    asked = (coding.get("system", ""), coding["code"])
    for group in concept_map["group"]:
        for element in group["element"]:
            for target in element["target"]:
                ours = _coding(group["source"], element)
                theirs = _coding(group["target"], target)
                one, other = (theirs, ours) if turned else (ours, theirs)
                if (one["system"], one["code"]) == asked:
                    equivalence = str(target["equivalence"])
                    yield (_TURNED.get(equivalence, equivalence) if turned else equivalence), other


def _coding(system: str, concept: Json) -> dict[str, Any]:
    shown = {"display": concept["display"]} if concept.get("display") else {}
    return {"system": system, "code": concept["code"], **shown}


def _match(equivalence: str, concept: Json, concept_map: Json) -> Json:
    part = [
        {"name": "equivalence", "valueCode": equivalence},
        {"name": "concept", "valueCoding": concept},
        {"name": "source", "valueUri": concept_map["url"]},
    ]
    return {"name": "match", "part": part}
