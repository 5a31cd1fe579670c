"""The definitions this project publishes: all of them, one by its address, and the files they are written to."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import msgspec

from service.errors import Issue, NotFound
from service.fhir.capability import capability_statement
from service.fhir.concept_maps import concept_maps
from service.fhir.definitions import SERVED_TYPES
from service.fhir.extensions import extensions
from service.fhir.guide import implementation_guide
from service.fhir.operation_definitions import operation_definitions
from service.fhir.profiles import profiles
from service.fhir.search_definitions import own_search_parameters, used_search_parameters
from service.fhir.terminology import code_systems
from service.fhir.text import Json, dump
from service.fhir.value_sets import value_sets

STANDARD = "http://hl7.org/fhir/StructureDefinition/"


@cache
def resources() -> dict[str, Json]:
    """File name to resource, the same content whenever the declarations are the same. Treat them as read-only."""
    made = [
        *profiles(),
        *extensions(),
        *code_systems(),
        *value_sets(),
        *concept_maps(),
        *own_search_parameters(),
        *operation_definitions(),
        capability_statement(supported=supported()),
    ]
    made.append(implementation_guide(made))
    found = {f"{each['resourceType']}-{each['id']}.json": each for each in made}
    if len(found) != len(made):
        raise ValueError("two definitions of one type have the same name")
    return dict(sorted(found.items()))


@cache
def supported() -> dict[str, tuple[str, ...]]:
    """The profiles that resources of each type can claim here, by the type."""
    found: dict[str, tuple[str, ...]] = {}
    for each in profiles():
        found[each["type"]] = (*found.get(each["type"], ()), each["url"])
    return found


@cache
def of_type(resource_type: str) -> tuple[Json, ...]:
    """All that is published of one type, with what is R4's own and answered here."""
    own = [each for each in resources().values() if each["resourceType"] == resource_type]
    return (*own, *used_search_parameters()) if resource_type == "SearchParameter" else tuple(own)


def is_judged(profile: str) -> bool:
    """Whether a resource can be held against the profile at this address: one of ours, or of R4 for a whole type."""
    ours = any(profile == url for urls in supported().values() for url in urls)
    return ours or profile.removeprefix(STANDARD) in (*SERVED_TYPES, "Resource", "DomainResource")


def find(resource_type: str, name: str) -> Json:
    """The definition with this id, or this address with or without `|version`; `NotFound` where there is none."""
    url, _, version = name.partition("|")
    for resource in of_type(resource_type):
        if name == resource["id"] or (url == resource["url"] and version in ("", resource["version"])):
            return resource
    raise NotFound(Issue("not-found", f"There is no {resource_type} '{name}' here.", resource_type, name))


def files() -> dict[str, bytes]:
    """File name to the text written there: indented, and ended with a line break."""
    return {name: msgspec.json.format(dump(resource), indent=2) + b"\n" for name, resource in resources().items()}


def stale(folder: Path) -> list[str]:
    """The files of `folder` that are missing or differ, and those there that are no longer generated."""
    wanted = files()
    present = {path.name for path in folder.glob("*.json")} if folder.is_dir() else set()
    differing = [name for name, text in wanted.items() if name not in present or (folder / name).read_bytes() != text]
    kinds = tuple(f"{each['resourceType']}-" for each in resources().values())
    left = [name for name in present if name.startswith(kinds) and name not in wanted]
    return sorted(differing + left)


def write(folder: Path) -> list[str]:
    """Brings `folder` up to date and returns the names of the files that were written or removed."""
    changed = stale(folder)
    folder.mkdir(parents=True, exist_ok=True)
    wanted = files()
    for name in changed:
        if name in wanted:
            (folder / name).write_bytes(wanted[name])
        else:
            (folder / name).unlink()
    return changed
