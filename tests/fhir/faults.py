"""Hand-written readings to spoil, and the spoiling of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.fhir.canonical import code_system
from service.fhir.text import Json

from .measurements import handwritten

_STATED = {stated.name: stated.expected for stated in handwritten()}
MOTION, GRIP, TOUCH, PANEL = (
    _STATED[name]
    for name in (
        "pip-flexion-passive-in-orthosis",
        "grip-right-trial-stopped-for-pain",
        "touch-index-tip-4.56",
        "pip-arc-panel",
    )
)
Fault = Callable[[Json], Any]


def without(name: str) -> Fault:
    return lambda resource: resource.pop(name)


def with_(**content: Any) -> Fault:
    return lambda resource: resource.update(content)


def component(resource: Json, code: str, nth: int = 0) -> Json:
    found = [c for c in resource["component"] if c["code"]["coding"][0]["code"] == code]
    return found[nth]


def placed(where: str, good: Json) -> str:
    """An expression with `{code}` for the first component of that code, `{trial+1}` for the next trial, and `{last}`
    for a component added to those of a good reading."""
    codes = [c["code"]["coding"][0]["code"] for c in good["component"]]
    places = {code: codes.index(code) for code in codes}
    places |= {"trial+1": places.get("trial", 0) + 1, "last": len(codes)}
    return where.format(**places)


def coded(system: str, code: str) -> Json:
    return {"coding": [{"system": system, "code": code}]}


def known(code: str) -> Json:
    return coded("http://terminology.hl7.org/CodeSystem/data-absent-reason", code)


def place(code: str) -> Fault:
    return with_(bodySite=coded(code_system("body-site"), code))
