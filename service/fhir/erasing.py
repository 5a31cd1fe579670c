"""What an erasure of some resources means for the others: which go as well, and what the rest say then. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from typing import Any

from service.fhir.compartment import OF_NOBODY
from service.fhir.orthosis.names import claimed
from service.fhir.text import Json

Key = tuple[str, str]
"""A type and an id."""

_POINTS = re.compile(r'"(?:reference|url)":"([A-Z][A-Za-z]{1,63})/([A-Za-z0-9\-.]{1,64})(?:/_history/[^"]{0,64})?"')
_LINK = re.compile(r"([A-Z][A-Za-z]{1,63})/([A-Za-z0-9\-.]{1,64})(?:/_history/.*)?")
_KEPT = OF_NOBODY | {"Group"}
"""Types about no patient, or about many: they stay, without the reference."""
SHORTEST = 4
"""Letters that a name or identifier has at least, to be looked for elsewhere."""
_IDENTIFYING = ("Patient", "RelatedPerson")


def points_to(body: str) -> set[Key]:
    """What a stored document refers to within this record, by its text: quick, for a walk over all of them."""
    return set(_POINTS.findall(body))


def goes_with(resource: Json, gone: Collection[Key], episodes: Collection[Key]) -> bool:
    """Whether a resource that refers to what is erased, or belongs to an erased episode, must be erased as well.

    What was computed from it would tell it; a panel holds the words that it was entered in; an account of who wrote it
    is about nothing any more. `episodes` are the identifiers of orthosis episodes that are erased. What belongs to one
    patient's record goes with the patient in any case, and is not asked about here.
    """
    kind = resource.get("resourceType")
    if kind == "Observation":
        return any(key in gone for key in _links([resource.get("derivedFrom"), resource.get("hasMember")]))
    if kind == "Provenance":
        targets = set(_links(resource.get("target")))
        return bool(targets) and targets <= set(gone)
    return not episodes_of(resource).isdisjoint(episodes)


def belongs_to_none(resource: Json, gone: Collection[Key]) -> bool:
    """Whether a resource without a patient of its own is about nothing but what is erased."""
    if resource.get("resourceType") in _KEPT:
        return False
    about = {key for key in _links(resource) if key[0] not in OF_NOBODY}
    return bool(about) and about <= set(gone)


def episodes_of(resource: Json) -> set[Key]:
    """The identifiers of the orthosis episode that a resource belongs to; empty for none."""
    if not claimed(resource):
        return set()
    return {(str(one.get("system", "")), str(one.get("value", ""))) for one in resource.get("identifier") or []}


def without_links(element: Any, gone: Collection[Key]) -> Any:
    """A copy in which every reference to what is erased says just that: no address, no name, no identifier."""
    if isinstance(element, list):
        return [without_links(one, gone) for one in element]
    if not isinstance(element, dict):
        return element
    if _key(element.get("reference")) in gone:
        return {"display": "erased"}
    return {
        name: "about:blank" if name == "url" and _key(value) in gone else without_links(value, gone)
        for name, value in element.items()
    }


def same_person(patient: Json) -> set[str]:
    """The ids of the Patients that a merge made one with this one."""
    links = [one for one in patient.get("link") or [] if one.get("type") in ("replaced-by", "replaces")]
    return {key[1] for one in links for key in _links(one.get("other")) if key[0] == "Patient"}


def marks_of(resource: Json) -> set[str]:
    """The texts by which a person can be found elsewhere: identifiers and addresses of a Patient or RelatedPerson."""
    if resource.get("resourceType") not in _IDENTIFYING:
        return set()
    listed = [*(resource.get("identifier") or []), *(resource.get("telecom") or [])]
    return {value for one in listed if len(value := str(one.get("value", ""))) >= SHORTEST}


def names_of(resource: Json) -> set[str]:
    """The parts of the names of a Patient or RelatedPerson."""
    if resource.get("resourceType") not in _IDENTIFYING:
        return set()
    names = resource.get("name") or []
    parts = [part for name in names for part in (name.get("family", ""), *(name.get("given") or []))]
    return {str(part) for part in parts if len(str(part)) >= SHORTEST}


def _links(element: Any) -> Iterator[Key]:
    if isinstance(element, list):
        for one in element:
            yield from _links(one)
    elif isinstance(element, dict):
        found = _key(element.get("reference"))
        if found:
            yield found
        for value in element.values():
            yield from _links(value)


def _key(reference: Any) -> Key | None:
    match = _LINK.fullmatch(reference) if isinstance(reference, str) else None
    return (match[1], match[2]) if match else None
