"""The references in resources: which there are, and what they become when a transaction gives its entries ids."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import Invalid, Issue
from service.fhir.text import Json

_LOCAL = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?(?:#\S+)?")
_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?(.+)")
_RESTFUL_BASE = re.compile(r"(https?://\S+)/[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_NARRATIVE_LINK = re.compile(r"""((?:href|src)\s*=\s*)(["'])(.*?)\2""")

_ADDRESSES = frozenset({"reference", "url", "valueUri", "valueUrl", "valueOid", "valueUuid"})
"""Elements that can point at another entry: references, attachments, and extension values that are addresses."""


_Place = tuple[Any, ...]
"""Where in the resource: (place of the parent, key or index); the root is (its name,)."""


@dataclass(frozen=True, slots=True)
class Link:
    """A reference within this record: where it stands (FHIRPath), and the type and id it points to."""

    where: str
    key: tuple[str, str]


def local_references(resource: Json) -> Iterator[Link]:
    """Every relative literal reference in a resource, in extensions and contained resources too."""
    return _links(_references(resource))


def _links(found: Iterable[tuple[str, str]]) -> Iterator[Link]:
    for where, value in found:
        match = _LOCAL.fullmatch(value)
        if match:
            yield Link(where, (match[1], match[2]))


def _references(resource: Json) -> list[tuple[str, str]]:
    """Where every literal reference stands, and what it says, in document order."""
    found: list[tuple[str, str]] = []
    place = (str(resource.get("resourceType", "")),)
    _gather({name: element for name, element in resource.items() if _holds_one(element)}, place, found)
    return found


def _holds_one(element: Any) -> bool:
    """Whether a reference stands anywhere in an element: few have one, and the way there need not be kept to see it."""
    parts = [element]
    for part in parts:
        if type(part) is dict:
            if "reference" in part:
                return True
            parts += part.values()
        elif type(part) is list:
            parts += part
    return False


def _gather(element: Json, place: _Place, found: list[tuple[str, str]]) -> None:
    for key, value in element.items():
        if isinstance(value, str):
            if key == "reference":
                found.append((f"{_written(place)}.{key}", value))
        elif isinstance(value, dict):
            _gather(value, (place, key), found)
        elif isinstance(value, list):
            _gather_each(value, (place, key), found)


def _gather_each(elements: list[Any], place: _Place, found: list[tuple[str, str]]) -> None:
    for position, value in enumerate(elements):
        if isinstance(value, dict):
            _gather(value, (place, position), found)
        elif isinstance(value, list):
            _gather_each(value, (place, position), found)


def _written(place: _Place) -> str:
    """The FHIRPath of a place: written for the few that hold a reference, not for all that are passed."""
    if len(place) == 1:
        return str(place[0])
    parent, step = place
    return f"{_written(parent)}[{step}]" if isinstance(step, int) else f"{_written(parent)}.{step}"


def rewritten(
    resource: Json, full_url: str, known: Mapping[str, str], resolve: Callable[[str, str], str]
) -> tuple[Json, list[Link]]:
    """A transaction entry's resource, its references to other entries made references into the record, and those.

    A copy, unless there is nothing to be replaced.

    `known` maps the fullUrl of each entry to its `Type/id`; a relative reference is read against the entry's own
    `full_url` (https://hl7.org/fhir/R4/bundle.html#references). `resolve` is given the type and search parameters of
    a conditional reference. Raises `Invalid` for a `urn:` reference to no entry.
    """
    if not known:
        there = _references(resource)
        links = list(_links(there))
        if len(links) == len(there):
            return resource, links
    base = _RESTFUL_BASE.fullmatch(full_url)

    def target(reference: str) -> str:
        plain, mark, fragment = reference.partition("#")
        absolute = f"{base[1]}/{plain}" if base and _LOCAL.fullmatch(plain) else plain
        found = known.get(plain) or known.get(absolute)
        if found:
            return found + mark + fragment
        conditional = _CONDITIONAL.fullmatch(reference)
        return resolve(conditional[1], conditional[2]) if conditional else reference

    changed: Json = _copied(resource, target, known)
    there = _references(changed)
    for where, reference in there:
        if reference.startswith("urn:"):
            message = "The reference names an entry that the Bundle does not have."
            expected = "the fullUrl of an entry that is created or updated"
            raise Invalid(Issue("not-found", message, where, reference, "bundle-reference", expected))
    return changed, list(_links(there))


def _copied(element: Any, target: Callable[[str], str], known: Mapping[str, str]) -> Any:
    if isinstance(element, list):
        return [_copied(value, target, known) for value in element]
    if not isinstance(element, dict):
        return element
    return {key: _copied_value(key, value, target, known) for key, value in element.items()}


def _copied_value(key: str, value: Any, target: Callable[[str], str], known: Mapping[str, str]) -> Any:
    if not isinstance(value, str):
        return _copied(value, target, known)
    if key == "reference":
        return target(value)
    if key in _ADDRESSES:
        return known.get(value, value)
    if key == "div":
        return _NARRATIVE_LINK.sub(lambda link: link[1] + link[2] + known.get(link[3], link[3]) + link[2], value)
    return value
