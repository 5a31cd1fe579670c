"""A column of a shipped table: the FHIRPath that defines it, the same read directly, and what the codebook says of it.

The two readers of a column are made together from one declaration, and a test holds them equal: the path is what the
ViewDefinition says, the direct one is what makes large tables quick.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.fhir.text import Json

Step = str | int
_CHOICE = re.compile(r"(effective|value|performed|occurrence|onset|timing|bounds|deceased)([A-Z]\w*)")
_PRIMITIVE = {"DateTime", "String", "Boolean", "Integer", "Code"}


class Place(NamedTuple):
    """Where a row is read: the resource, the element it is a row of (mostly the resource itself), and its number."""

    resource: Json
    item: Json
    number: int
    components: Mapping[str, Sequence[Json]]

    def component(self, code: str) -> Json:
        """The first component of a reading's context with this code; an empty one where there is none."""
        found = self.components.get(code)
        return found[0] if found else {}


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column.

    `type` is its FHIR type. `unit` is a UCUM code, or names the column that holds it; `coding` the code system of its
    codes, `values` those codes in words. `missing` says what an empty cell means. `kind` tells a recorded value from
    one that the record set or computed; `formula` belongs to what was computed.
    """

    name: str
    path: str
    read: Callable[[Place], Any]
    meaning: str
    type: str = "string"
    unit: str = ""
    coding: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    missing: str = "empty where the resource does not say"
    kind: str = "recorded"
    formula: str = ""
    collection: bool = False


def key_column(name: str, meaning: str) -> TableColumn:
    """The key of the resource that a row is of."""
    return TableColumn(name, "getResourceKey()", lambda at: at.resource.get("id"), meaning, "id", missing="never empty")


def reference_column(name: str, steps: tuple[Step, ...], target: str, meaning: str) -> TableColumn:
    """The key of the resource that an element points at, where that is of the type `target`."""

    def read(at: Place) -> str | None:
        return _key_of(walk(at.item, steps), target)

    return TableColumn(name, f"{path_of(steps)}.getReferenceKey({target})", read, meaning, "id")


def _key_of(reference: Any, target: str) -> str | None:
    text = reference.get("reference") if isinstance(reference, dict) else None
    parts = str(text or "").partition("/_history/")[0].split("/")
    return parts[-1] if len(parts) > 1 and parts[-2] == target else None


def value_column(name: str, steps: tuple[Step, ...], meaning: str, **more: Any) -> TableColumn:
    """What stands at a place in the resource."""
    return TableColumn(name, path_of(steps), lambda at: walk(at.item, steps), meaning, **more)


def code_column(name: str, steps: tuple[Step, ...], system: str, meaning: str, **more: Any) -> TableColumn:
    """The first code of a code system in a CodeableConcept."""
    path = f"{path_of(steps)}.coding.where(system = '{system}').code.first()"

    def read(at: Place) -> str | None:
        return first_code(walk(at.item, steps), system)

    return TableColumn(name, path, read, meaning, "code", coding=system, **more)


def extension_column(
    name: str, urls: tuple[str, ...], value: str, steps: tuple[Step, ...], meaning: str, **more: Any
) -> TableColumn:
    """What stands in the value (of the type `value`) of the first extension of an address, however deep it is."""
    found = "".join(f".extension('{url}')" for url in urls).removeprefix(".")
    inner = f".{path_of(steps)}" if steps else ""
    lowered = value[0].lower() + value[1:] if value in (*_PRIMITIVE, "PositiveInt") else value

    def read(at: Place) -> Any:
        values = (each.get(f"value{value}") for each in extensions(at.item, urls))
        given = (walk(each, steps) for each in values if each is not None)
        return next((each for each in given if each is not None), None)

    return TableColumn(name, f"{found}.value.ofType({lowered}){inner}.first()", read, meaning, **more)


def extensions(element: Json, urls: tuple[str, ...]) -> list[Json]:
    """The extensions at this path of addresses."""
    found = [element]
    for url in urls:
        found = [inner for each in found for inner in each.get("extension") or () if inner.get("url") == url]
    return found


def captured_column(
    name: str, path: str, read: Callable[[Place], Any], pattern: str, meaning: str, **more: Any
) -> TableColumn:
    """A part of what `path` finds, by the one group of a pattern; `read` finds the whole."""
    compiled = re.compile(pattern)

    def part(at: Place) -> str | None:
        found = compiled.fullmatch(str(read(at) or ""))
        return found[1] if found else None

    within = f"{path}.where(matches('^{pattern}$')).replaceMatches('^{pattern}$', '$1')"
    return TableColumn(name, within, part, meaning, "code", **more)


def linked_column(name: str, url: str, target: str, meaning: str) -> TableColumn:
    """The key of the resource that an extension points at."""

    def read(at: Place) -> str | None:
        linked = extensions(at.item, (url,))
        return _key_of(linked[0].get("valueReference"), target) if linked else None

    path = f"extension('{url}').value.ofType(Reference).first().getReferenceKey({target})"
    return TableColumn(name, path, read, meaning, "id")


def first_code(concept: Any, system: str) -> str | None:
    """The code of a system in a CodeableConcept, or None."""
    for coding in (concept or {}).get("coding") or ():
        if coding.get("system") == system:
            code: str | None = coding.get("code")
            return code
    return None


def walk(element: Any, steps: Iterable[Step]) -> Any:
    """What stands at a path of names and places, or None."""
    for step in steps:
        if isinstance(step, int):
            element = element[step] if isinstance(element, list) and len(element) > step else None
        else:
            element = element.get(step) if isinstance(element, dict) else None
    return element


def path_of(steps: Iterable[Step]) -> str:
    """The FHIRPath of such a path: `effectiveDateTime` becomes `effective.ofType(dateTime)`."""
    path = ""
    for step in steps:
        path += f"[{step}]" if isinstance(step, int) else f".{_named(step)}"
    return path.removeprefix(".")


def _named(step: str) -> str:
    choice = _CHOICE.fullmatch(step)
    if choice is None:
        return step
    kind = choice[2]
    return f"{choice[1]}.ofType({kind[0].lower() + kind[1:] if kind in _PRIMITIVE else kind})"
