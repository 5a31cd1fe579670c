"""A part of a resource, as `_summary` and `_elements` ask for it (https://hl7.org/fhir/R4/search.html#summary).

Whatever is left out, the elements that the standard requires stay, and the copy is marked as a part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

from service.errors import Invalid, Issue
from service.fhir import text
from service.fhir.definitions import described_types, elements
from service.fhir.text import Json

SUBSETTED = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
    "display": "Resource encoded in summary mode",
}
SUMMARIES = ("true", "text", "data")
_ALWAYS = frozenset({"resourceType", "id", "meta"})


@dataclass(frozen=True, slots=True)
class View:
    """What of a resource is wanted: one of `SUMMARIES`, or the elements named; all of it where neither is given."""

    summary: str = ""
    elements: tuple[str, ...] = ()

    @property
    def is_whole(self) -> bool:
        """Whether nothing is left out."""
        return not self.summary and not self.elements

    def of(self, body: bytes) -> bytes:
        """The part of a stored document; the document itself, untouched, where all of it is wanted."""
        if self.is_whole or not body:
            return body
        return text.dump(self.of_resource(text.parse(body)))

    def of_resource(self, resource: Json) -> Json:
        """The part of a resource, marked as one."""
        kind = str(resource["resourceType"])
        part = {name: value for name, value in self._kept(resource, kind) if value not in ({}, [])}
        used = _references(part)
        within = [each for each in resource.get("contained", ()) if f"#{each.get('id')}" in used]
        if within:
            part["contained"] = within
        meta = part.get("meta", {})
        return part | {"meta": {**meta, "tag": [*meta.get("tag", []), dict(SUBSETTED)]}}

    def _kept(self, resource: Json, kind: str) -> Iterator[tuple[str, Any]]:
        known = _keys(kind, kind)
        for name, value in resource.items():
            key = known.get(name.removeprefix("_"))
            if name == "contained" and self.summary != "data":
                continue
            if name in _ALWAYS or self._wants(name.removeprefix("_"), key):
                yield name, value
            elif self.summary == "true" and key and (key.summary or key.required):
                yield name, _summary(value, key)

    def _wants(self, name: str, key: _Key | None) -> bool:
        if self.summary == "data":
            return name != "text"
        if self.summary == "true":
            return False
        required = key is not None and key.required
        named = name in self.elements or (key is not None and key.name in self.elements)
        return required or named or (self.summary == "text" and name == "text")


def _references(element: Any) -> set[str]:
    """Every reference below an element, as written."""
    if isinstance(element, list):
        return set().union(*map(_references, element))
    if not isinstance(element, dict):
        return set()
    own = {element["reference"]} if isinstance(element.get("reference"), str) else set()
    return own.union(*map(_references, element.values()))


Pairs = Sequence[tuple[str, str]]


def view_in(kind: str, pairs: Pairs) -> tuple[View, Pairs, Pairs]:
    """The view that parameters ask for, the parameters that asked for it, and all others. Raises `Invalid`."""
    asked = {name: value for name, value in pairs if name == "_elements" or (name, value) in _SUMMARIES}
    if not asked:
        return View(), (), pairs
    view = view_of(kind, asked.get("_summary", ""), asked.get("_elements", ""))
    taken = [(name, value) for name, value in pairs if name in asked]
    return view, taken, [pair for pair in pairs if pair not in taken]


_SUMMARIES = frozenset(("_summary", each) for each in SUMMARIES)


def view_of(kind: str, summary: str, named: str) -> View:
    """The view that `_summary` and `_elements` ask for. Raises `Invalid` for an element that the type has not."""
    if summary not in ("", "false", *SUMMARIES):
        raise _bad("_summary", summary, ", ".join(("false", *SUMMARIES)))
    wanted = tuple(name.strip().removeprefix(f"{kind}.") for name in named.split(",") if name.strip())
    keys = _keys(kind, kind)
    known = {*keys, *(key.name for key in keys.values())}
    for name in wanted:
        if name not in known:
            raise _bad("_elements", name, f"elements of {kind}: " + ", ".join(sorted(known)))
    return View(summary if summary != "false" else "", wanted)


def _bad(name: str, value: str, expected: str) -> Invalid:
    message = f"The parameter '{name}' asks for something that there is not."
    return Invalid(Issue("invalid", message, name, value, "search-value", expected))


class _Key(NamedTuple):
    """What a name in a document stands for; `at` is where its own parts are described, empty for a whole."""

    name: str
    summary: bool
    required: bool
    described: str
    at: str


@cache
def _keys(described: str, at: str) -> dict[str, _Key]:
    """What the names below an element stand for, the names of choices (`valueQuantity`) each for itself."""
    found: dict[str, _Key] = {}
    for element in elements(described).values():
        if element.parent != at:
            continue
        name = element.name.removesuffix("[x]")
        backbone = bool(element.same_as) or element.types[:1] == ("BackboneElement",)
        key = _Key(name, element.summary, element.least > 0, described, (element.same_as or element.path) * backbone)
        if element.name.endswith("[x]"):
            found |= {name + kind[0].upper() + kind[1:]: key for kind in element.types if kind in described_types()}
        else:
            found[name] = key
    return found


def _summary(value: Any, key: _Key) -> Any:
    """The summary of what stands under a key; datatypes are kept whole."""
    if isinstance(value, list):
        return [part for each in value if (part := _summary(each, key)) != {}]
    if not key.at or not isinstance(value, dict):
        return value
    known = _keys(key.described, key.at)
    wanted = ((name, each, known.get(name.removeprefix("_"))) for name, each in value.items())
    return {name: _summary(each, below) for name, each, below in wanted if below and (below.summary or below.required)}
