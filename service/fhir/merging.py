"""Two records of one person: links by which a Patient says that another took its place, and references rewritten."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.fhir.text import Json

REPLACED_BY, REPLACES = "replaced-by", "replaces"


def replacement_of(patient: Json) -> str:
    """The id of the patient whose record took this one's place, or the empty text."""
    for link in patient.get("link") or ():
        if link.get("type") == REPLACED_BY:
            return str((link.get("other") or {}).get("reference", "")).removeprefix("Patient/")
    return ""


def replaced_by(patient: Json, survivor: str) -> Json:
    """A Patient as it stands once `survivor` (a reference) took its place: inactive, its identifiers gone there."""
    kept = {name: value for name, value in patient.items() if name != "identifier"}
    return {**kept, "active": False, "link": [*(patient.get("link") or []), _link(survivor, REPLACED_BY)]}


def taking_the_place_of(survivor: Json, patient: Json) -> Json:
    """A Patient as it stands once it took another's place, with the identifiers of both."""
    known = survivor.get("identifier") or []
    identifiers = [*known, *(each for each in patient.get("identifier") or [] if each not in known)]
    named = {"identifier": identifiers} if identifiers else {}
    return {**survivor, **named, "link": [*(survivor.get("link") or []), _link(f"Patient/{patient['id']}", REPLACES)]}


def parted_from(survivor: Json, patient: Json, before: Json) -> Json:
    """A Patient as it stands when a merge is undone and it was changed since: without the link to `patient` and the
    identifiers that came with it; `before` is the survivor as it was before the merge."""
    links = [each for each in survivor.get("link") or [] if each != _link(f"Patient/{patient['id']}", REPLACES)]
    own = before.get("identifier") or []
    came = [each for each in patient.get("identifier") or [] if each not in own]
    identifiers = [each for each in survivor.get("identifier") or [] if each not in came]
    rest = {name: value for name, value in survivor.items() if name not in ("link", "identifier")}
    return {**rest, **({"identifier": identifiers} if identifiers else {}), **({"link": links} if links else {})}


def _link(reference: str, kind: str) -> Json:
    return {"other": {"reference": reference}, "type": kind}


def pointed_anew(element: Any, known: Mapping[str, str]) -> Any:
    """A copy in which every reference to one of `known` points at what it became.

    A reference to a version stays: it tells of what stood there then.
    """
    if isinstance(element, list):
        return [pointed_anew(value, known) for value in element]
    if not isinstance(element, dict):
        return element
    return {name: _anew(name, value, known) for name, value in element.items()}


def _anew(name: str, value: Any, known: Mapping[str, str]) -> Any:
    if name == "reference" and isinstance(value, str):
        return known.get(value, value)
    return pointed_anew(value, known)
