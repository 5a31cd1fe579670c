"""What a resource breaks of the structure of one of our profiles, as its differential states it.

Cardinality, types, targets of references, required codes and extensions. The rules of a profile that are written in
FHIRPath are held by the readers of the resources (`claims`), not here.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from service.errors import Issue
from service.fhir.definitions import SERVED_TYPES
from service.fhir.element_paths import Place, children, root_of
from service.fhir.members import members
from service.fhir.profiles import profiles
from service.fhir.search_paths import split_reference
from service.fhir.text import Json


@cache
def _by_url() -> dict[str, Json]:
    return {str(each["url"]): each for each in profiles()}


def is_ours(profile: str) -> bool:
    """Whether a profile is one of those published here."""
    return profile in _by_url()


def breaches(resource: Json, profile: str) -> list[Issue]:
    """What a valid resource breaks of one of our profiles; empty for one that keeps it."""
    definition = _by_url()[profile]
    kind = definition["type"]
    if resource["resourceType"] != kind:
        message = f"This profile is one of {kind}."
        return [Issue("invariant", message, "resourceType", str(resource["resourceType"]), "type-of-profile", kind)]
    stated = {element["id"]: element for element in definition["differential"]["element"]}
    return [issue for ident, element in stated.items() for issue in _broken(resource, ident, element, stated)]


def _broken(resource: Json, ident: str, element: Json, stated: dict[str, Json]) -> Iterator[Issue]:
    _, *steps = ident.split(".")
    if not steps or any(":" in step for step in steps[:-1]):
        return
    name, _, slice_name = steps[-1].partition(":")
    url = stated.get(f"{ident}.url", {}).get("fixedUri", "") if slice_name else ""
    if slice_name and not url:
        return
    for parent in _reached(resource, steps[:-1]):
        found = list(children(parent, name.removesuffix("[x]")))
        if url:
            found = [each for each in found if each.value.get("url") == url]
        where = ".".join([str(resource["resourceType"]), *steps[:-1], name])
        yield from _counted(found, element, f"{where}, {slice_name}" if url else where)
        if not url:
            yield from (issue for each in found for issue in _typed(each, element, where))


def _reached(resource: Json, steps: list[str]) -> list[Place]:
    places = [root_of(resource)]
    for step in steps:
        places = [below for place in places for below in children(place, step.removesuffix("[x]"))]
    return places


def _counted(found: list[Place], element: Json, where: str) -> Iterator[Issue]:
    least, most = element.get("min", 0), element.get("max", "*")
    if len(found) < least:
        message = f"The profile asks for this: {element.get('short', where)}."
        yield Issue("required", message, where, rule="profile-cardinality", expected=f"{least} or more")
    if most != "*" and len(found) > int(most):
        message = "The profile allows less of this." if int(most) else "The profile allows none of this."
        yield Issue("invariant", message, where, str(len(found)), "profile-cardinality", f"at most {most}")


def _typed(place: Place, element: Json, where: str) -> Iterator[Issue]:
    types = element.get("type", [])
    if types and place.kind not in {each["code"] for each in types}:
        expected = ", ".join(each["code"] for each in types)
        yield Issue("invariant", "The profile allows another type here.", where, place.kind, "profile-type", expected)
        return
    targets = {
        url.rpartition("/")[2] for each in types if each["code"] == "Reference" for url in each.get("targetProfile", ())
    }
    kind = split_reference(str(place.value.get("reference", "")))[0] if isinstance(place.value, dict) else ""
    if kind and targets and targets <= set(SERVED_TYPES) and kind not in targets:
        message = "The profile wants a reference to another type."
        yield Issue("invariant", message, where, kind, "profile-target", ", ".join(sorted(targets)))
    binding = element.get("binding", {})
    allowed = members(binding["valueSet"]) if binding.get("strength") == "required" else None
    if allowed and not any(pair in allowed for pair in _codings(place.value)):
        message = "None of the codes is from the value set of the profile."
        yield Issue("code-invalid", message, where, rule="profile-binding", expected=binding["valueSet"])


def _codings(value: Any) -> list[tuple[str, str]]:
    """(system, code) of all that a coded element or quantity says."""
    if not isinstance(value, dict):
        return [("", str(value))]
    listed = value.get("coding", [value])
    return [(each.get("system", ""), each.get("code", "")) for each in listed]
