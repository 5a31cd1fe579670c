"""What of a resource each search parameter finds.

The R4 search parameters say where they look by FHIRPath expressions. Nearly all are plain walks: this module compiles
those (`Observation.value as CodeableConcept`, `Patient.telecom.where(system='email')`,
`Encounter.subject.where(resolve() is Patient)`) and refuses the rest, so that an expression it does not fully
understand is never half honoured.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from service.fhir.definitions import described_types, elements
from service.fhir.search_dates import Interval, interval, is_date, period

Json = dict[str, Any]

_NAME = r"[A-Za-z][A-Za-z0-9]*"
_WALK = re.compile(rf"{_NAME}(\.{_NAME})+")
_CAST = re.compile(
    rf"\((?P<path>[A-Za-z0-9.]+) as (?P<type>{_NAME})\)(?P<rest>(\.{_NAME})*)"
    rf"|(?P<path2>[A-Za-z0-9.]+)\.as\((?P<type2>{_NAME})\)"
)
_TARGET = re.compile(rf"(?P<path>[A-Za-z0-9.]+)\.where\(resolve\(\) is (?P<type>{_NAME})\)")
_SYSTEM = re.compile(r"(?P<path>[A-Za-z0-9.]+)\.where\(system='(?P<system>[a-z]+)'\)")


@dataclass(frozen=True, slots=True)
class Path:
    """A compiled walk: the element names after the resource type; what the last element must be.

    `keys` holds, for each step, the names it can have in a document: one, or several for a choice (`valueQuantity`,
    `valueString` …). `target` keeps only references to that type, `system` only elements whose system is that.
    """

    type: str
    steps: tuple[str, ...]
    keys: tuple[tuple[str, ...], ...]
    target: str = ""
    system: str = ""


def compile_expression(expression: str, resource_type: str) -> tuple[Path, ...] | None:
    """The walks of those alternatives of `expression` that begin at `resource_type`; None if any is not a walk."""
    paths = []
    for alternative in expression.split(" | "):
        text = alternative.strip()
        if not re.match(rf"\(?({resource_type}|Resource)\.", text):
            continue
        path = _compile(text)
        if path is None:
            return None
        paths.append(path)
    return tuple(paths) or None


def _compile(text: str) -> Path | None:
    if _WALK.fullmatch(text):
        return _path(text)
    if match := _CAST.fullmatch(text):
        kind = match["type"] or match["type2"]
        return _path((match["path"] or match["path2"]) + kind[0].upper() + kind[1:] + (match["rest"] or ""))
    if match := _TARGET.fullmatch(text):
        return _path(match["path"], target=match["type"])
    if match := _SYSTEM.fullmatch(text):
        return _path(match["path"], system=match["system"])
    return None


def _path(walk: str, target: str = "", system: str = "") -> Path:
    kind, *steps = walk.split(".")
    return Path(kind, tuple(steps), tuple(_keys(kind, steps)), target, system)


def _keys(kind: str, steps: list[str]) -> Iterator[tuple[str, ...]]:
    described, at = kind, kind
    for step in steps:
        choice = elements(described).get(f"{at}.{step}[x]")
        yield tuple(step + name[0].upper() + name[1:] for name in choice.types) if choice else (step,)
        at = f"{at}.{step}"
        element = elements(described).get(at)
        datatype = element.types[0] if element and element.types else ""
        if datatype in described_types() and datatype != "BackboneElement":
            # What is below is described with the datatype.
            described = at = datatype


def found(resource: Json, path: Path) -> list[Any]:
    """Every element that `path` reaches, in document order."""
    if resource.keys().isdisjoint(path.keys[0]):
        return []
    values = _below([resource], path.keys[0])
    for names in path.keys[1:]:
        values = _below(values, names)
        if not values:
            return values
    if path.system:
        return [value for value in values if value.get("system") == path.system]
    return values


def _below(values: list[Any], names: tuple[str, ...]) -> list[Any]:
    """What the elements among `values` have under these names, in document order."""
    reached: list[Any] = []
    for value in values:
        if isinstance(value, dict):
            for name in names:
                below = value.get(name)
                if isinstance(below, list):
                    reached += below
                elif below is not None:
                    reached.append(below)
    return reached


def tokens(value: Any) -> Iterator[tuple[str, str]]:
    """(system, code) of everything in an element that a token search can match; no system is the empty text."""
    if isinstance(value, bool):
        yield "", "true" if value else "false"
    elif isinstance(value, str):
        yield "", value[:LONGEST]
    elif isinstance(value, dict):
        if "coding" in value:
            for coding in value["coding"]:
                yield from tokens(coding)
            return
        code = value.get("code", value.get("value"))
        if isinstance(code, str):
            yield value.get("system", ""), code[:LONGEST]


def concept_texts(value: Any) -> Iterator[str]:
    """What a coded element, or the type of an identifier, says in words."""
    if isinstance(value, dict):
        for text in (value.get("text"), value.get("display")):
            if isinstance(text, str):
                yield text
        for coding in value.get("coding", ()):
            yield from concept_texts(coding)
        yield from concept_texts(value.get("type"))


def typed_identifiers(value: Any) -> Iterator[tuple[str, str]]:
    """(system of the type, code of the type and value joined by a bar) of an identifier that says its type."""
    if isinstance(value, dict) and isinstance(value.get("value"), str) and isinstance(value.get("type"), dict):
        for system, code in tokens({"coding": value["type"].get("coding", ())}):
            yield system, f"{code}|{value['value']}"[:LONGEST]


def reference_identifiers(value: Any) -> Iterator[tuple[str, str]]:
    """(system, value) of the identifier of a Reference."""
    if isinstance(value, dict) and isinstance(value.get("identifier"), dict):
        yield from tokens(value["identifier"])


def references(value: Any) -> Iterator[tuple[str, str]]:
    """(type, id) of a reference within this record; ("", address) of any other. Contained ones are not found."""
    text = value.get("reference") if isinstance(value, dict) else value
    if not isinstance(text, str) or text.startswith("#"):
        return
    yield split_reference(text)
    if isinstance(value, str) and "|" in text:
        # A canonical address with a version is also found without it.
        yield "", text.partition("|")[0]


_LOCAL = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(/_history/[A-Za-z0-9\-.]{1,64})?")


def split_reference(text: str) -> tuple[str, str]:
    """("Patient", "1") for `Patient/1`, whatever version it names; ("", text) for every other address."""
    match = _LOCAL.fullmatch(text)
    return (match[1], match[2]) if match else ("", text[:LONGEST])


_NAMED_PARTS = ("family", "given", "prefix", "suffix", "text", "line", "city", "district", "state", "postalCode",
                "country")  # fmt: skip


def texts(value: Any) -> Iterator[str]:
    """The texts of a string, or of the parts of a HumanName or Address."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for part in _NAMED_PARTS:
            below = value.get(part, ())
            yield from (below,) if isinstance(below, str) else below


LONGEST = 256
"""Only so many characters of a value are indexed and compared: an index entry has to fit a database page."""


def fold(text: str) -> str:
    """Text as string searches compare it: without accents, case, or doubled space (`Müller` is `muller`)."""
    return _folded_before(text) if len(text) <= LONGEST else _folded(text)


def _folded(text: str) -> str:
    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join(plain.casefold().split())[:LONGEST]


_folded_before = lru_cache(maxsize=1024)(_folded)


_interval = lru_cache(maxsize=1024)(interval)
"""What is measured at a visit has one time, and a clinic's day has one date."""


def intervals(value: Any) -> Iterator[Interval]:
    """The interval of a date, dateTime, instant, Period or Timing; none for the words of a scheduledString.

    Of a Timing only the outer limits matter (https://hl7.org/fhir/R4/search.html#date).
    """
    if isinstance(value, str):
        if is_date(value):
            yield _interval(value)
    elif isinstance(value, dict):
        span = period(value)
        parts = [span] if span else []
        parts += [interval(event) for event in value.get("event", ())]
        parts += intervals(value.get("repeat", {}).get("boundsPeriod"))
        if parts:
            yield Interval(
                min(part.lo for part in parts),
                max(part.hi for part in parts),
                min(part.first for part in parts),
                max(part.last for part in parts),
                any(part.timed for part in parts),
            )
