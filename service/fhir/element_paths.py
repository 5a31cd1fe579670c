"""Where in a resource a FHIRPath leads: the part of the language that names elements, and where they stand.

Names, indices, `where` with equalities, `first`, `last`, `single`, `ofType`, `as` and `extension`: enough to say which
element is meant (https://hl7.org/fhir/R4/fhirpath.html). Whatever else is written is refused, never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from service.errors import Invalid, Issue
from service.fhir.definitions import Element, described_types, elements, resource_types
from service.fhir.text import Json

LONGEST = 500
_STEP = re.compile(
    r"(?P<name>`?[A-Za-z][A-Za-z0-9]*`?)(?P<call>\((?P<argument>(?:[^()']|'[^']*'|\(\))*)\))?"
    r"(?P<index>\[(0|[1-9][0-9]{0,5})\])?(?:\.|$)"
)
_EQUALS = re.compile(
    r"\s*(?P<path>[A-Za-z][A-Za-z0-9.]*)\s*=\s*(?:'(?P<text>[^']*)'|(?P<bare>true|false|-?[0-9.]+))\s*"
)
_EXISTS = re.compile(r"\s*(?P<path>[A-Za-z][A-Za-z0-9.]*)\.exists\(\)\s*")


@dataclass(frozen=True, slots=True)
class At:
    """Which element's definition holds at a place: that of `path` within the type `described`."""

    described: str
    path: str

    def child(self, name: str) -> tuple[Element, dict[str, str]] | None:
        """The element of that name below this one, and the keys it can have in a document, each with its type."""
        known = elements(self.described)
        plain = known.get(f"{self.path}.{name}")
        if plain is not None:
            return plain, {name: plain.types[0] if plain.types else ""}
        for element in known.values():
            if element.parent == self.path and element.name.endswith("[x]"):
                stem = element.name.removesuffix("[x]")
                keys = {stem + kind[0].upper() + kind[1:]: kind for kind in element.types}
                if name == stem or name in keys:
                    return element, keys if name == stem else {name: keys[name]}
        return None

    def below(self, element: Element, kind: str) -> At:
        """What holds inside an element that has this type here."""
        if element.same_as:
            return At(self.described, element.same_as)
        if kind in described_types() and kind not in ("BackboneElement", "Element"):
            return At(kind, kind)
        return At(self.described, element.path)


@dataclass(frozen=True, slots=True)
class Place:
    """An element where it stands: under a key of its owner, at an index where it is one of several.

    `stem` is the name of a choice without its type, empty for any other element.
    """

    owner: Json
    key: str
    index: int | None
    kind: str
    at: At
    stem: str = ""

    @property
    def value(self) -> Any:
        """The element itself."""
        held = self.owner[self.key]
        return held if self.index is None else held[self.index]


def root_of(resource: Json) -> Place:
    """The resource as a place, which has no owner of its own."""
    name = str(resource["resourceType"])
    return Place({"": resource}, "", None, name, At(name, name))


def located(resource: Json, path: str, where: str) -> list[Place]:
    """The elements that a path leads to, in document order. Raises `Invalid` for a path that is not understood."""
    places = [root_of(resource)]
    for number, (name, argument, index) in enumerate(steps(path, where)):
        if number == 0 and argument is None and name in resource_types():
            if name != resource["resourceType"]:
                raise wrong("The path begins at another type of resource.", where, path, str(resource["resourceType"]))
            continue
        places = _stepped(places, name, argument, where, path)
        if index is not None:
            places = places[index : index + 1]
    return places


def steps(path: str, where: str) -> list[tuple[str, str | None, int | None]]:
    """Name, argument (None: no function) and index of each step. Raises `Invalid`."""
    if len(path) > LONGEST:
        raise wrong("The path is longer than any that names an element.", where, path[:100], f"at most {LONGEST}")
    found: list[tuple[str, str | None, int | None]] = []
    end = 0
    while end < len(path):
        match = _STEP.match(path, end)
        if match is None or (path[match.end() - 1] == "." and match.end() == len(path)):
            raise wrong("This path is not understood here.", where, path, _UNDERSTOOD)
        index = int(match["index"][1:-1]) if match["index"] else None
        found.append((match["name"].strip("`"), match["argument"] if match["call"] else None, index))
        end = match.end()
    if not found:
        raise wrong("The path is empty.", where, path, "such as Patient.name[0].family")
    return found


_UNDERSTOOD = "names, [0], where(system = '…' and …), first(), last(), single(), ofType(…), extension('…')"


def _stepped(places: list[Place], name: str, argument: str | None, where: str, path: str) -> list[Place]:
    if argument is None:
        return [below for place in places for below in children(place, name)]
    if name == "where":
        return [place for place in places if _holds(place, argument, where, path)]
    if name == "single" and len(places) > 1:
        raise wrong("The path leads to several elements where it says that there is one.", where, path)
    if name not in _FUNCTIONS:
        raise wrong(f"The function '{name}' is not understood here.", where, path, _UNDERSTOOD)
    return _FUNCTIONS[name](places, argument.strip())


def _of_type(places: list[Place], argument: str) -> list[Place]:
    return [place for place in places if place.kind == argument.removeprefix("FHIR.")]


def _extensions(places: list[Place], argument: str) -> list[Place]:
    url = argument.strip("'")
    return [each for place in places for each in children(place, "extension") if each.value.get("url") == url]


_FUNCTIONS: dict[str, Callable[[list[Place], str], list[Place]]] = {
    "first": lambda places, _: places[:1],
    "last": lambda places, _: places[-1:],
    "single": lambda places, _: places,
    "ofType": _of_type,
    "as": _of_type,
    "extension": _extensions,
}


def children(place: Place, name: str) -> Iterator[Place]:
    """The elements of that name below a place; none where there is no such element, or the place holds a text."""
    value = place.value
    if not isinstance(value, dict):
        return
    at = At(str(value["resourceType"]), str(value["resourceType"])) if "resourceType" in value else place.at
    found = at.child(name) if at.described in described_types() else None
    if found is None:
        return
    element, keys = found
    for key, kind in keys.items():
        held = value.get(key)
        below, stem = at.below(element, kind), element.name.removesuffix("[x]") if element.name.endswith("[x]") else ""
        if isinstance(held, list):
            yield from (Place(value, key, index, kind, below, stem) for index in range(len(held)))
        elif held is not None:
            yield Place(value, key, None, kind, below, stem)


def _holds(place: Place, criteria: str, where: str, path: str) -> bool:
    for each in re.split(r"\band\b(?=(?:[^']*'[^']*')*[^']*$)", criteria):
        equals, exists = _EQUALS.fullmatch(each), _EXISTS.fullmatch(each)
        match = equals or exists
        if match is None:
            raise wrong("This condition is not understood here.", where, path, "element = 'text', joined by and")
        reached = [place]
        for name in match["path"].split("."):
            reached = [below for one in reached for below in children(one, name)]
        if equals and not any(_written(one.value) == (equals["text"] or equals["bare"] or "") for one in reached):
            return False
        if not reached:
            return False
    return True


def _written(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def wrong(message: str, where: str, value: str, expected: str = "") -> Invalid:
    """What a path breaks."""
    return Invalid(Issue("invalid", message, where, value, "fhirpath-patch", expected))
